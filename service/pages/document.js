// The exam as the FHIR transaction that every client sends, and the way back from a place in it to a field.

import { isWhole, placeOf } from "./answers.js";
import { GROUPS, MOST_ULCERS, REASONS, SIDES, ULCER, ulcerTest, ZONES } from "./catalogue.js";

const BASE = "https://solewire.example/fhir/CodeSystem/";
const UCUM = "http://unitsofmeasure.org";
const REASON_SYSTEM = "http://terminology.hl7.org/CodeSystem/data-absent-reason";
const CATEGORY = { coding: [{ system: "http://terminology.hl7.org/CodeSystem/observation-category", code: "exam" }] };

const concept = (system, code, display) => ({ coding: [{ system: BASE + system, code, display }] });

/**
 * A number as it was typed, kept exactly: JSON text with the digits of the examiner, put in place of a marker.
 * JavaScript would write 36.0 as 36.
 */
const NUMBER = /^[+-]?(?:0|[1-9]\d*)(?:[.,]\d+)?$/;
const MARK = "\u0000number:";

function result(answer, group) {
    if (answer.reason) {
        const reason = REASONS.find(({ id }) => id === answer.reason);
        return { dataAbsentReason: { coding: [{ system: REASON_SYSTEM, code: reason.code }], text: reason.text } };
    }
    if (answer.ratio) {
        const right = answer.ratio.filter(Boolean).length;
        return { valueRatio: { numerator: { value: right }, denominator: { value: answer.ratio.length } } };
    }
    if (answer.number !== undefined) {
        const text = answer.number.trim().replace(",", ".").replace(/^\+/, "");
        return { valueQuantity: { value: MARK + text, unit: group.quantity.shown, system: UCUM, code: group.quantity.unit } };
    }
    const known = group.answers.find(({ code }) => code === answer.code);
    return { valueCodeableConcept: concept("foot-result", known.code, known.display) };
}

/** Whether a text can stand as a number of a result. */
export function isNumber(text) {
    return NUMBER.test(text.trim());
}

function canBeSent(answer) {
    return isWhole(answer) && (answer.number === undefined || isNumber(answer.number));
}

/** The findings: `{ test, display, bodySite, value | components }` with the place of each result. */
function findings(answers) {
    const out = [];
    for (const group of GROUPS) {
        for (const side of group.scope === "foot" ? SIDES : [{ id: "" }]) {
            const found = { group, bodySite: side.code ? concept("foot-site", side.code, side.display) : null, components: [], value: null, place: null };
            if (group.parts) {
                for (const part of group.parts) {
                    const place = placeOf(group.test, side.id, part.code);
                    const answer = answers.get(place);
                    if (canBeSent(answer)) found.components.push({ place, body: { code: concept(part.system, part.code, part.display), ...result(answer, group) } });
                }
            } else {
                const place = placeOf(group.test, side.id, "");
                const answer = answers.get(place);
                if (canBeSent(answer)) Object.assign(found, { value: result(answer, group), place });
            }
            if (found.value || found.components.length > 0) out.push(found);
            if (group.zones) out.push(...zoneFindings(group, side, answers));
            if (group.test === "active-problem") out.push(...ulcers(side, answers));
        }
    }
    return out;
}

function zoneFindings(group, side, answers) {
    return ZONES.map(zone => {
        const components = group.parts
            .map(part => ({ part, place: placeOf(`skin@${zone.code}`, side.id, part.code) }))
            .filter(({ part, place }) => answers.get(place)?.code === "present" && answers.get(placeOf(group.test, side.id, part.code))?.code === "present")
            .map(({ part, place }) => ({ place, body: { code: concept(part.system, part.code, part.display), ...result({ code: "present" }, group) } }));
        return { group, bodySite: sidedZone(side, zone), components, value: null, place: null };
    }).filter(({ components }) => components.length > 0);
}

function sidedZone(side, zone) {
    return concept("foot-site", `${side.id}-${zone.code}`, `${zone.display}, ${side.id} foot`);
}

function ulcers(side, answers) {
    if (answers.get(placeOf("active-problem", side.id, "active-ulcer"))?.code !== "present") return [];
    return Array.from({ length: MOST_ULCERS }, (_, index) => ulcerTest(index + 1)).flatMap(test => {
        const zone = ZONES.find(({ code }) => code === answers.get(placeOf(test, side.id, "zone"))?.code);
        if (!zone) return [];
        const components = [ULCER.area, ULCER.depth, ULCER.duration, ULCER.infection]
            .map(part => ({ part, place: placeOf(test, side.id, part.code) }))
            .filter(({ place }) => canBeSent(answers.get(place)))
            .map(({ part, place }) => ({ place, body: { code: concept("foot-test", part.code, part.display), ...result(answers.get(place), part) } }));
        return components.length === 0 ? [] : [{ group: ULCER, bodySite: sidedZone(side, zone), components, value: null, place: null }];
    });
}

/**
 * The transaction of an exam, as text, with the places of its parts: `fields` from `entry` or `entry.component` to the
 * place of an answer. The same record gives the same text.
 */
export function documentOf(record, answers) {
    const address = number => `urn:uuid:${record.id.slice(0, -4)}${number.toString(16).padStart(4, "0")}`;
    const subject = { type: "Patient", identifier: { ...record.person } };
    const fields = new Map([["0", "person"]]);
    const observation = (code, more) => ({
        resourceType: "Observation",
        status: record.status,
        category: [CATEGORY],
        code,
        subject,
        effectiveDateTime: record.started,
        ...more,
    });
    const entries = findings(answers).map((found, index) => {
        const number = index + 1;
        fields.set(String(number), found.place ?? found.components[0].place);
        found.components.forEach(({ place }, at) => fields.set(`${number}.${at}`, place));
        return {
            fullUrl: address(number),
            resource: observation(concept("foot-test", found.group.test, found.group.display), {
                ...(found.bodySite ? { bodySite: found.bodySite } : {}),
                ...(found.value ?? {}),
                ...(found.components.length > 0 ? { component: found.components.map(({ body }) => body) } : {}),
            }),
            request: { method: "POST", url: "Observation" },
        };
    });
    const { status, category, code, subject: who, effectiveDateTime, resourceType } = observation(concept("foot-test", "foot-exam", "Foot examination"));
    const panel = {
        resourceType,
        identifier: [{ system: "urn:ietf:rfc:3986", value: `urn:uuid:${record.id}` }],
        status, category, code, subject: who, effectiveDateTime,
        performer: [{ type: "Practitioner", identifier: { ...record.staff } }],
        ...(entries.length > 0 ? { hasMember: entries.map(({ fullUrl }) => ({ reference: fullUrl })) } : {}),
    };
    const bundle = {
        resourceType: "Bundle",
        type: "transaction",
        entry: [{ fullUrl: address(0), resource: panel, request: { method: "POST", url: "Observation" } }, ...entries],
    };
    const text = JSON.stringify(bundle).replace(/"\\u0000number:([^"]*)"/g, "$1");
    return { text, fields };
}

/** The place that an issue is about: a place of `answers`, `person`, `staff`, `time`, or nothing. */
export function placeOfIssue(expression, fields) {
    const parts = /^Bundle\.entry\[(\d+)\](?:\.resource)?(.*)$/.exec(expression);
    if (!parts) return null;
    const [, entry, rest] = parts;
    if (rest.startsWith(".effective")) return "time";
    if (rest.startsWith(".subject")) return "person";
    if (entry === "0") return rest.startsWith(".performer") ? "staff" : rest.startsWith(".identifier") ? null : "person";
    const component = /^\.component\[(\d+)\]/.exec(rest)?.[1];
    return fields.get(component === undefined ? entry : `${entry}.${component}`) ?? fields.get(entry) ?? null;
}
