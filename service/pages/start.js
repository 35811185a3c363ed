// Where an exam begins, and what is not sent yet.

import { byId, make, replace, timeWords } from "./dom.js";
import { Exam } from "./exam.js";
import { ask, Unreachable } from "./service.js";
import { guarded, may, setup, start, unreachable } from "./shell.js";
import * as work from "./work.js";

/** What a workstation remembers between exams: nothing about a person. */
const REMEMBERED = "solewire-workstation";

function remembered() {
    try {
        return JSON.parse(localStorage.getItem(REMEMBERED)) ?? {};
    } catch {
        return {};
    }
}

/** The clock of this device with its offset, to the second. */
function withOffset(date) {
    const two = number => String(Math.trunc(Math.abs(number))).padStart(2, "0");
    const offset = -date.getTimezoneOffset();
    return `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())}T${two(date.getHours())}:${two(date.getMinutes())}:${two(date.getSeconds())}` +
        `${offset < 0 ? "-" : "+"}${two(offset / 60)}:${two(offset % 60)}`;
}

function newId() {
    return crypto.randomUUID?.() ?? "10000000-1000-4000-8000-100000000000".replace(/[018]/g, digit => (digit ^ (crypto.getRandomValues(new Uint8Array(1))[0] & (15 >> (digit / 4)))).toString(16));
}

async function begin(event) {
    event.preventDefault();
    const value = id => byId(id).value.trim();
    localStorage.setItem(REMEMBERED, JSON.stringify({ personSystem: value("person-system"), staffSystem: value("staff-system"), staff: value("staff") }));
    const earlier = byId("earlier").value;
    const record = {
        id: newId(),
        state: "draft",
        status: "final",
        person: { system: value("person-system"), value: value("person") },
        staff: { system: value("staff-system"), value: value("staff") },
        started: withOffset(earlier ? new Date(earlier) : new Date()),
        protocol: setup().monofilament === "three-site" ? 3 : 10,
        asked: false,
        answers: {},
        step: "urgent",
        issues: [],
    };
    await work.save(record);
    location.hash = record.id;
}

const STATES = {
    draft: ["begun", "Go on"],
    waiting: ["waiting to be sent", "Look"],
    refused: ["refused, needs a change", "Mend"],
};

async function showUnsent() {
    const records = await work.list();
    byId("unsent-work").hidden = records.length === 0;
    replace(byId("unsent-list"), records.map(record => {
        const [state, action] = STATES[record.state];
        return make("li", { dataset: { state: record.state } },
            make("span", { class: "who" }, record.person.value),
            make("span", { class: "state" }, `${state}, examined ${timeWords(record.started)}`),
            make("a", { class: "button", href: `#${record.id}` }, action, make("span", { class: "unseen" }, ` with the exam of ${record.person.value}`)),
            record.state === "waiting" ? null : make("button", {
                type: "button", class: "quiet", onclick: event => discard(event.currentTarget, record),
            }, "Discard", make("span", { class: "unseen" }, ` the exam of ${record.person.value}`)));
    }));
}

// Asked for twice: the second press is the consent.
function discard(button, record) {
    if (button.dataset.sure) return work.remove(record.id);
    button.dataset.sure = "yes";
    button.textContent = "Discard for good?";
    return undefined;
}

async function showEarlier() {
    const person = `${byId("person-system").value.trim()}|${byId("person").value.trim()}`;
    const place = byId("earlier-results");
    if (person.startsWith("|") || person.endsWith("|")) return replace(place, make("p", { class: "problem", role: "alert" }, "Fill in the person's identifier first."));
    // In the body, so that the identifier stands in no address.
    const body = new URLSearchParams({ "subject:identifier": person, _sort: "-date", _count: "20" });
    try {
        const answer = await guarded(() => ask("/fhir/RiskAssessment/_search", { method: "POST", body: body.toString(), headers: { "Content-Type": "application/x-www-form-urlencoded" } }));
        if (!answer) return undefined;
        const found = (answer.body.entry ?? []).map(({ resource }) => resource);
        return replace(place, found.length === 0
            ? make("p", { role: "status" }, "No exam of this person is stored here.")
            : make("ul", { class: "plain-list" }, found.map(resource => make("li", {},
                make("a", { href: `/result#${resource.id}` }, timeWords(resource.occurrenceDateTime)),
                make("span", { class: "state" }, (resource.prediction ?? []).map(({ qualitativeRisk }) => qualitativeRisk?.coding?.[0]?.display ?? "").filter(Boolean).join(" to ") || resource.status)))));
    } catch (error) {
        if (!(error instanceof Unreachable)) throw error;
        return replace(place, unreachable(showEarlier));
    }
}

let exam = null;

// The part of the address behind the `#` names the exam that is open, by an id of our own.
async function route() {
    exam?.close();
    const record = await work.find(location.hash.slice(1));
    exam = record ? new Exam(record) : null;
    byId("start").hidden = Boolean(record);
    byId("exam").hidden = !record;
    if (exam) return exam.open();
    document.title = "Examine - Solewire";
    return showStart();
}

async function showStart() {
    const known = remembered();
    byId("person").value = "";
    byId("earlier").value = "";
    replace(byId("earlier-results"));
    byId("person-system").value ||= known.personSystem ?? "";
    byId("staff-system").value ||= known.staffSystem ?? "";
    byId("staff").value ||= known.staff ?? "";
    const complete = Boolean(known.personSystem && known.staffSystem && known.staff);
    byId("workstation").open = !complete;
    byId(complete ? "person" : "person-system").focus();
    await showUnsent();
}

start("submit", async () => {
    byId("begin").addEventListener("submit", begin);
    byId("show-earlier").hidden = !may("read");
    byId("show-earlier").addEventListener("click", showEarlier);
    work.news.addEventListener("change", showUnsent);
    addEventListener("hashchange", route);
    addEventListener("beforeunload", event => {
        if (!work.isKept() && exam && exam.record.state !== "sent") event.preventDefault();
    });
    await route();
});
