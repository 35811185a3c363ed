// One exam for engineers: what came, what the checks say of it, what followed, and what became of its deliveries.

import { categoryWords, readAssessment } from "./assessment.js";
import { byId, dateWords, make, replace, timeWords } from "./dom.js";
import { readExam } from "./result.js";
import { ask, issuesOf, Unreachable } from "./service.js";
import { guarded, may, start, unreachable } from "./shell.js";

const facts = pairs => make("dl", { class: "facts" }, pairs.map(([name, value]) => make("div", {}, make("dt", {}, name), make("dd", {}, value))));

// A delivery names the resources it carries; its assessment leads to the exam.
async function assessmentOf(delivery) {
    const answer = await guarded(() => ask(`/pages/deliveries/${delivery}`));
    return answer?.body?.entries?.find(entry => entry.startsWith("RiskAssessment/"))?.split("/")[1] ?? null;
}

function form(wanted) {
    const input = make("input", { id: "wanted", value: wanted, required: true, spellcheck: "false", autocomplete: "off" });
    return make("form", {
        class: "card", onsubmit: event => {
            event.preventDefault();
            const text = input.value.trim().replace(/^.*RiskAssessment\//, "");
            location.hash = /^\d+$/.test(text) ? `delivery-${text}` : text;
        },
    }, make("label", { for: "wanted" }, "Id of a RiskAssessment, or number of a delivery", input), make("button", { type: "submit" }, "Show"));
}

async function show() {
    const wanted = location.hash.slice(1);
    const place = make("div", { class: "inspect" });
    replace(byId("content"), place);
    place.append(make("h1", {}, "Inspect an exam"), form(wanted.replace(/^delivery-/, "")));
    if (!wanted) return;
    try {
        const delivery = /^delivery-(\d+)$/.exec(wanted)?.[1];
        const id = delivery ? await assessmentOf(delivery) : wanted;
        const exam = id ? await readExam(id) : null;
        if (!exam) return void place.append(make("p", { class: "empty", role: "status" }, "No exam is stored under this."));
        await showExam(place, exam, id);
    } catch (error) {
        if (!(error instanceof Unreachable)) throw error;
        place.append(unreachable(show));
    }
}

async function showExam(place, exam, id) {
    const bodies = exam.resources.map(({ body }) => body);
    const assessments = bodies.filter(({ resourceType }) => resourceType === "RiskAssessment").map(({ id: each }) => readAssessment(bodies, { id: each }));
    const received = exam.resources.filter(({ derived }) => !derived);
    const derived = exam.resources.filter(resource => resource.derived);
    place.append(
        make("section", { class: "card" }, make("h2", {}, "Exam"), facts([
            ["Version", String(exam.version)], ["First stored", timeWords(exam.created)], ["Last changed", timeWords(exam.updated)],
            ["Received", `${received.length} resources`], ["Derived", `${derived.length} resources`],
        ])),
        make("section", { class: "card" }, make("h2", {}, "Assessment"), make("ul", { class: "plain-list" }, assessments.map(each => make("li", {},
            make("a", { href: `/result#${each.id}` }, each.title), make("span", { class: "state" }, `${categoryWords(each).join(" to ")}, ${each.status}. ${each.rules}`))))),
        await issueCard(received));
    if (exam.deliveries) place.append(await deliveryCard(exam.deliveries, id));
    place.append(resourceCard("What was received", received), resourceCard("What was derived", derived));
}

// The same check as for anything handed in, over what is stored now.
async function issueCard(received) {
    const title = make("h2", {}, "What the checks say");
    if (!may("submit")) return make("section", { class: "card" }, title, make("p", { class: "help" }, "This token may not ask for checks."));
    const entry = received.map(({ body }) => ({ fullUrl: `${location.origin}/fhir/${body.resourceType}/${body.id}`, resource: body }));
    const answer = await guarded(() => ask("/fhir/Bundle/$validate", { method: "POST", body: JSON.stringify({ resourceType: "Bundle", type: "collection", entry }) }));
    const issues = issuesOf(answer?.body);
    return make("section", { class: "card" }, title, make("ul", { class: "issues" }, issues.map(issue => make("li", { dataset: { severity: issue.severity } },
        make("strong", {}, issue.severity), " ", issue.text, " ", issue.mend, make("code", {}, [issue.rule, issue.expression].filter(Boolean).join("  "))))));
}

async function deliveryCard(deliveries, id) {
    const rows = await Promise.all(deliveries.map(async each => {
        const answer = await guarded(() => ask(`/pages/deliveries/${each.id}`));
        return answer?.status === 200 ? answer.body : each;
    }));
    return make("section", { class: "card" }, make("h2", {}, "Deliveries"),
        rows.length === 0 ? make("p", { class: "help" }, "This exam is not forwarded.") : rows.map(each => delivery(each, id)));
}

function delivery(each, id) {
    const reason = make("input", { id: `reason-${each.id}`, maxlength: "500", autocomplete: "off" });
    const told = make("p", { class: "problem", role: "status" });
    const act = async name => {
        const body = JSON.stringify(reason.value.trim() ? { reason: reason.value.trim() } : {});
        const answer = await guarded(() => ask(`/pages/deliveries/${each.id}/${name}`, { method: "POST", body }));
        if (answer?.status === 200) return show();
        told.textContent = issuesOf(answer?.body).map(issue => `${issue.text} ${issue.mend}`).join(" ");
        return undefined;
    };
    return make("article", { class: "resource", "aria-label": `Delivery ${each.id}` },
        make("h3", {}, `Number ${each.id}: ${each.state}`),
        facts([
            ["Exam version", String(each.examVersion)], ["Tries that counted", String(each.attempts)], ["Made", timeWords(each.created)], ["Last changed", timeWords(each.updated)],
            ["Not before", each.notBefore ? timeWords(each.notBefore) : "\u2013"], ["Failure", each.failure ?? "none"], ["Answer of the record system", each.remoteStatus ? `status ${each.remoteStatus}` : "none"],
        ]),
        history(each.history ?? []),
        make("div", { class: "filters" },
            make("label", { for: reason.id }, "Reason", reason),
            make("button", { type: "button", onclick: () => act("replay") }, "Send again"),
            make("button", { type: "button", onclick: () => act("discard") }, "Give up")), told);
}

const VERDICTS = {
    delivered: ["usual", "\u2713", "Delivered"], conflict: ["between", "!", "Clash with another writer"], "unknown-outcome": ["between", "!", "Outcome not known"],
    "destination-fault": ["between", "!", "Record system at fault"], "message-fault": ["unusual", "\u2715", "Exam refused"], crash: ["unusual", "\u2715", "Attempt broke off here"],
};

/** How long an attempt took. */
const took = milliseconds => (milliseconds === null ? "not known" : milliseconds < 1000 ? `${milliseconds} ms` : `${(milliseconds / 1000).toFixed(1)} s`);

// Clock times to the second: attempts may follow each other closely.
const secondWords = text => `${dateWords(text)}, ${text.slice(11, 19)}`;

function history(attempts) {
    if (attempts.length === 0) return make("p", { class: "help" }, "No attempt has ended yet.");
    return make("details", { open: true }, make("summary", {}, `Attempts, the newest first (${attempts.length})`),
        make("div", { class: "list" }, make("table", {}, make("caption", { class: "unseen" }, "How each attempt ended"),
            make("thead", {}, make("tr", {}, ["Ended", "Result", "Why", "Answer", "Took"].map(name => make("th", { scope: "col" }, name)))),
            make("tbody", {}, attempts.map(each => {
                const [look, sign, words] = VERDICTS[each.verdict] ?? ["between", "!", each.verdict];
                return make("tr", {}, [
                    ["Ended", secondWords(each.ended)],
                    ["Result", make("span", { class: "mark-word", dataset: { look } }, make("span", { "aria-hidden": "true" }, sign), words)],
                    ["Why", each.failure ?? "\u2013"],
                    ["Answer", each.remoteStatus ? `status ${each.remoteStatus}` : "none",
                        each.remoteOutcome ? make("details", {}, make("summary", {}, "What it said"), make("pre", { tabindex: "0" }, JSON.stringify(each.remoteOutcome, null, 2))) : null],
                    ["Took", took(each.milliseconds)],
                ].map(([name, ...content]) => make("td", { "data-name": name }, content)));
            })))));
}

function resourceCard(title, resources) {
    return make("section", { class: "card" }, make("h2", {}, title), resources.map(({ body, version, updated }) => {
        const site = body.bodySite?.coding?.[0]?.display ?? body.bodySite?.coding?.[0]?.code;
        const name = body.code?.coding?.[0]?.display ?? body.code?.text ?? "";
        const text = make("pre", { tabindex: "0", "aria-label": `${body.resourceType} as JSON` });
        return make("details", { class: "resource", ontoggle: () => { text.textContent ||= JSON.stringify(body, null, 2); } },
            make("summary", {}, make("strong", {}, body.resourceType), ` ${[name, site].filter(Boolean).join(", ")} `, make("span", {}, `version ${version}, ${timeWords(updated)}`)), text);
    }));
}

addEventListener("hashchange", show);
start("read", show);
