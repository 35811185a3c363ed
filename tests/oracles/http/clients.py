"""Two public client libraries do what an integration does: hand in, search, page, read, correct, validate.

Both parse what they get into their own models and refuse what R4 does not allow, so each answer is checked twice.
"""

import copy
import json
import sys
import traceback

from fhirclient import client as fhirclient
from fhirclient.models.bundle import Bundle
from fhirclient.models.capabilitystatement import CapabilityStatement
from fhirclient.models.observation import Observation
from fhirclient.models.operationoutcome import OperationOutcome
from fhirclient.models.provenance import Provenance
from fhirclient.models.riskassessment import RiskAssessment
from fhirclient.models.servicerequest import ServiceRequest
from fhirpy import SyncFHIRClient
from fhirpy.base.exceptions import OperationOutcome as Refused

from service import REPOSITORY, TOKEN, Service

PERSON = "https://harbourlane.example/person"
FELT = {"system": "https://solewire.example/fhir/CodeSystem/foot-result", "code": "felt"}


def corpus(case):
    return json.loads((REPOSITORY / "tests/corpus" / case / "input.json").read_text())


def person_of(bundle):
    """`system|value` of the Patient that the Bundle brings along, or of its logical subject."""
    resources = [entry["resource"] for entry in bundle["entry"]]
    patients = [resource["identifier"][0] for resource in resources if resource["resourceType"] == "Patient"]
    subjects = [resource["subject"]["identifier"] for resource in resources if "identifier" in resource.get("subject", {})]
    return "|".join((patients + subjects)[0][name] for name in ("system", "value"))


def strict_client(service):
    """A client whose models refuse unknown elements, wrong types and missing required ones."""
    made = fhirclient.FHIRClient(settings={"app_id": "harbour-lane", "api_base": service.fhir})
    made.server.session.headers["Authorization"] = f"Bearer {TOKEN}"
    return made.server


def loose_client(service):
    return SyncFHIRClient(service.fhir, authorization=f"Bearer {TOKEN}")


def handing_in_answers_entry_by_entry(service):
    server = strict_client(service)
    sent = corpus("category-2")
    answer = Bundle(server.post_json("", Bundle(sent).as_json()).json())
    assert answer.type == "transaction-response"
    assert len(answer.entry) == len(sent["entry"])
    for entry in answer.entry:
        assert entry.response.status[:3] in ("200", "201", "202"), entry.response.status
        if entry.response.outcome:
            OperationOutcome(entry.response.outcome.as_json())


def what_was_derived_is_read_by_strict_models(service):
    server = strict_client(service)
    person = person_of(corpus("category-2"))
    found = RiskAssessment.where({"subject:identifier": person}).perform_resources(server)
    assert [one.prediction[0].qualitativeRisk.coding[0].code for one in found] == ["iwgdf-2023.2"]
    assert found[0].status == "final"
    requests = ServiceRequest.where({"subject:identifier": person}).perform_resources(server)
    assert any(one.intent == "proposal" and one.occurrencePeriod for one in requests)
    targets = Provenance.where({"target": f"RiskAssessment/{found[0].id}"}).perform_resources(server)
    assert targets, "no Provenance names the assessment"
    same = RiskAssessment.read(found[0].id, server)
    assert same.as_json() == found[0].as_json()
    basis = {reference.reference for reference in same.basis}
    for reference in basis:
        Observation.read(reference.split("/")[1], server)
    assert basis


def the_capabilities_are_a_statement_of_r4(service):
    statement = CapabilityStatement(strict_client(service).request_json("metadata"))
    assert statement.fhirVersion == "4.0.1"
    named = {resource.type for resource in statement.rest[0].resource}
    assert {"Observation", "RiskAssessment", "ServiceRequest", "Provenance"} <= named


def pages_lead_through_all_matches_once(service):
    strict, loose = strict_client(service), loose_client(service)
    loose.execute("", method="POST", data=corpus("complete-normal"))
    whole = loose.resources("Observation").limit(200).fetch()
    paged = loose.resources("Observation").sort("_id").limit(3).fetch_all()
    assert len(paged) > 6
    assert sorted(one.id for one in paged) == sorted(one.id for one in whole)
    assert loose.resources("Observation").count() == len(paged)
    through_links = [one.id for one in Observation.where({"_count": "5"}).perform_resources_iter(strict)]
    assert sorted(through_links) == sorted(one.id for one in paged)


def a_correction_makes_a_new_version_and_a_new_assessment(service):
    loose = loose_client(service)
    sent = corpus("category-1-lops")
    loose.execute("", method="POST", data=sent)
    person = person_of(sent)
    before = loose.resources("RiskAssessment").search(**{"subject:identifier": person}).fetch()
    assert [one["prediction"][0]["qualitativeRisk"]["coding"][0]["code"] for one in before] == ["iwgdf-2023.1"]
    corrected = copy.deepcopy(sent)
    changed = 0
    for entry in corrected["entry"]:
        resource = entry["resource"]
        for component in resource.get("component", []):
            for coding in component.get("valueCodeableConcept", {}).get("coding", []):
                if coding["code"] == "not-felt":
                    component["valueCodeableConcept"] = {"coding": [FELT]}
                    resource["status"] = "corrected"
                    changed += 1
                    break
    assert changed, "the case has nothing to correct"
    loose.execute("", method="POST", data=corrected)
    after = loose.resources("RiskAssessment").search(**{"subject:identifier": person}).fetch()
    assert [one.id for one in after] == [one.id for one in before], "the assessment was replaced, not updated"
    assert [one["prediction"][0]["qualitativeRisk"]["coding"][0]["code"] for one in after] == ["iwgdf-2023.0"]
    assert after[0]["status"] in ("amended", "corrected"), after[0]["status"]
    history = loose.execute(f"RiskAssessment/{after[0].id}/_history", method="GET")
    assert len(history["entry"]) == 2


def what_cannot_be_taken_is_told_in_an_outcome(service):
    loose = loose_client(service)
    before = loose.resources("Observation").count()
    try:
        loose.execute("", method="POST", data=corpus("invalid-no-side"))
    except Refused as refused:
        outcome = OperationOutcome(refused.resource)
    else:
        raise AssertionError("it was taken")
    assert outcome.issue[0].severity == "error" and outcome.issue[0].expression
    assert loose.resources("Observation").count() == before


def a_single_result_is_validated_and_handed_in(service):
    loose = loose_client(service)
    bundle = corpus("single-form")
    single = next(
        entry["resource"] for entry in bundle["entry"]
        if "bodySite" in entry["resource"] and "component" not in entry["resource"]
    )
    single["subject"] = {"identifier": {"system": PERSON, "value": "HL-PERSON-9001"}}
    single["encounter"] = {"identifier": {"system": "https://harbourlane.example/visit", "value": "HL-VISIT-9001"}}
    single["identifier"] = [{"system": "https://harbourlane.example/result", "value": "HL-RESULT-9001"}]
    single["performer"] = [{"identifier": {"system": "https://harbourlane.example/staff", "value": "HL-STAFF-1"}}]
    for name in ("partOf", "derivedFrom", "device", "basedOn"):
        single.pop(name, None)
    resource = loose.resource("Observation", **single)
    assert loose.resource("Observation", **single).is_valid(raise_exception=True)
    resource.save()
    assert resource.id
    read = loose.get("Observation", resource.id)
    assert read["code"] == single["code"]


def main():
    passed = failed = 0
    checks = [
        handing_in_answers_entry_by_entry,
        what_was_derived_is_read_by_strict_models,
        the_capabilities_are_a_statement_of_r4,
        pages_lead_through_all_matches_once,
        a_correction_makes_a_new_version_and_a_new_assessment,
        what_cannot_be_taken_is_told_in_an_outcome,
        a_single_result_is_validated_and_handed_in,
    ]
    with Service() as service:
        for check in checks:
            try:
                check(service)
                passed += 1
            except Exception:  # noqa: BLE001: whatever a client library raises is a finding
                failed += 1
                print(f"clients: {check.__name__}\n{traceback.format_exc()}")
    print(f"{passed} passed, {failed} failed")
    sys.exit(failed != 0)


if __name__ == "__main__":
    main()
