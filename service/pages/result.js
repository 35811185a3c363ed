// What came out of an exam, for the screen and for the record on paper.

import {
    categoryWords, evidence, isPressing, missing, plain, readAssessment, requestWords, scale, windowWords,
} from "./assessment.js";
import { GROUPS, SIDES, ULCER, ZONES } from "./catalogue.js";
import { byId, capital, make, replace, timeWords } from "./dom.js";
import { foot, viewOf } from "./feet.js";
import { ask, Unreachable } from "./service.js";
import { guarded, may, setup, start, unreachable } from "./shell.js";

/** The exam of an assessment: everything that is stored about it; nothing when there is none. */
export async function readExam(id) {
    const answer = await guarded(() => ask(`/pages/exams/${encodeURIComponent(id)}`));
    return answer?.status === 200 ? answer.body : null;
}

const codeIn = (concept, system) => concept?.coding?.find(coding => coding.system === `https://solewire.example/fhir/CodeSystem/${system}`)?.code ?? null;

/** The results of an exam: `{ test, side, site, code, look, label, group }`, as they were recorded. */
export function resultsOf(resources) {
    const out = [];
    for (const resource of resources.filter(({ resourceType, status }) => resourceType === "Observation" && !["entered-in-error", "cancelled"].includes(status))) {
        const test = codeIn(resource.code, "foot-test");
        const group = GROUPS.find(each => each.test === test) ?? (test === ULCER.test ? ULCER : null);
        if (!group) continue;
        const place = codeIn(resource.bodySite, "foot-site") ?? "";
        const side = SIDES.find(({ id }) => place.startsWith(`${id}-`))?.id ?? "";
        const zone = place.endsWith("-foot") ? "" : place.slice(side.length + 1);
        for (const part of resource.component ?? [{ ...resource, code: null }]) {
            const code = codeIn(part.code, "foot-site") ?? codeIn(part.code, "foot-test") ?? (resource.component ? null : zone || null);
            out.push({ test, group, side, zone: resource.component ? zone : "", code, ...valueOf(part, group, code) });
        }
    }
    return out;
}

function valueOf(part, group, code) {
    const label = group.parts?.find(each => each.code === code)?.label ?? code ?? group.title ?? "";
    if (part.dataAbsentReason) return { label, look: "none", words: part.dataAbsentReason.text ?? "no result" };
    if (part.valueRatio) {
        const [right, asked] = [part.valueRatio.numerator?.value, part.valueRatio.denominator?.value];
        return { label, look: right >= 2 ? "usual" : "unusual", words: `${right} of ${asked} right` };
    }
    if (part.valueQuantity) return { label, look: "between", words: `${part.valueQuantity.value} ${part.valueQuantity.unit ?? part.valueQuantity.code ?? ""}`, measured: true };
    const result = codeIn(part.valueCodeableConcept, "foot-result");
    const known = group.answers?.find(each => each.code === result);
    return { label, look: known?.look ?? "between", words: (known?.label ?? part.valueCodeableConcept?.text ?? result ?? "").toLowerCase(), result };
}

function feetCard(results) {
    return make("section", { class: "card", "aria-labelledby": "feet-title" }, make("h2", { id: "feet-title" }, "The two feet"),
        make("div", { class: "both-feet" }, SIDES.map(side => oneFoot(side, results.filter(each => each.side === side.id)))),
        make("p", { class: "key" }, ["\u2713 as usual", "\u2715 unusual", "! between", "\u2013 no result, with a reason"].map(text => make("span", {}, text))));
}

function oneFoot(side, results) {
    const marks = new Map();
    const worse = ["usual", "none", "between", "unusual"];
    for (const { code, zone, look, measured } of results) {
        const site = viewOf(code) ? code : viewOf(zone) ? zone : null;
        if (!site || measured) continue;
        const before = marks.get(site);
        if (!before || worse.indexOf(look) > worse.indexOf(before)) marks.set(site, look);
    }
    const list = [...marks].map(([site, look]) => ({ site, look }));
    const zones = results.filter(({ zone, look }) => zone && look === "unusual");
    const told = results.filter(({ look, measured, zone }) => look !== "usual" && !measured && !zone);
    const measured = results.filter(each => each.measured && each.test !== ULCER.test);
    const lines = told.map(each => {
        const where = zones.filter(({ code, test }) => code === each.code && test === each.test).map(({ zone }) => ZONES.find(({ code }) => code === zone)?.label.toLowerCase() ?? zone);
        const yes = each.result === "present" && each.group.answers?.[1]?.label === "Yes";
        const test = each.group.parts && !yes ? `${each.group.title}, ` : "";
        return make("li", { dataset: { look: each.look } },
            yes ? each.label : `${test}${test ? each.label.toLowerCase() : each.label}: ${each.words}`, where.length > 0 ? ` (${where.join(", ")})` : null);
    });
    const ulcers = results.filter(({ test }) => test === "ulcer");
    for (const place of new Set(ulcers.map(({ zone }) => zone))) {
        const zone = ZONES.find(({ code }) => code === place)?.label.toLowerCase() ?? place;
        const words = ulcers.filter(each => each.zone === place).map(each => {
            const part = [ULCER.area, ULCER.depth, ULCER.duration, ULCER.infection].find(({ code }) => code === each.code);
            return `${part?.label.toLowerCase() ?? each.code}: ${part?.answers?.find(({ code }) => code === each.result)?.label.toLowerCase() ?? each.words}`;
        });
        lines.push(make("li", { dataset: { look: "unusual" } }, `Ulcer (${zone}): ${words.join(", ")}`));
    }
    const view = name => make("div", {}, foot({ side: side.id, view: name, marks: list, title: `${side.name}, ${name}` }), name === "sole" ? "Sole" : "Top");
    return make("div", { dataset: { side: side.id } }, make("h3", { class: "side" }, side.name), make("div", { class: "views" }, view("sole"), view("top")),
        lines.length > 0 ? make("ul", { class: "found" }, lines) : make("p", { class: "found settled" }, results.length > 0 ? "Nothing unusual was recorded." : "Nothing was recorded."),
        measured.length > 0 ? make("p", { class: "measured" }, make("strong", {}, "Measured. "), measuredWords(measured)) : null);
}

// Numbers of one test together: "Pressures: arm, same side 128 mmHg, great toe 104 mmHg".
function measuredWords(results) {
    const tests = [...new Set(results.map(({ group }) => group))];
    return tests.map(group => {
        const own = results.filter(each => each.group === group);
        const parts = own.map(each => (group.parts && own.length > 1 ? `${each.label.toLowerCase()} ${each.words}` : each.words));
        return `${group.title}: ${parts.join(", ")}`;
    }).join(". ") + ".";
}

function hero(assessment) {
    const { referral, recall } = assessment;
    const pressing = isPressing(referral);
    const words = categoryWords(assessment);
    const next = [];
    if (referral) next.push(["Referral", pressing && referral.priority === "stat" ? "At once" : `By ${windowWords({ occurrencePeriod: { start: referral.occurrencePeriod?.end, end: referral.occurrencePeriod?.end } })}`, requestWords(referral)]);
    if (recall) next.push(["Next examination", windowWords(recall), requestWords(recall)]);
    return make("section", { class: "card hero", "aria-label": "Result" },
        pressing ? make("p", { class: "urgent" }, make("strong", {}, referral.priority === "stat" ? "At once. " : "Urgent. "), requestWords(referral)) : null,
        make("div", {},
            make("p", { class: "live-title" }, `${assessment.title}${assessment.settled ? "" : ", between two categories"}`),
            make("p", { class: "live-words" }, words.length === 1 ? capital(words[0]) : `${capital(words[0])} to ${words[1]}`),
            scale(assessment, setup().guidelines)),
        next.length > 0
            ? make("dl", { class: "next" }, next.map(([name, when, text]) => make("div", {}, make("dt", {}, name), make("dd", {}, when, make("small", {}, text)))))
            : make("p", { class: "help" }, "No recall and no referral follow from this exam."));
}

const list = (title, lines, name = "lines") => lines.length === 0 ? null
    : make("section", { class: "card" }, make("h2", {}, title), make("ul", { class: name }, lines.map(line => make("li", {}, line))));

function whyCard(assessment) {
    return make("section", { class: "card" }, make("h2", {}, "Why"), make("ul", { class: "why-list" }, assessment.reasons.map(line => {
        const fact = evidence(line);
        if (!fact) return make("li", {}, line);
        return make("li", {}, make("strong", {}, fact.fact), make("span", { class: "state-word", dataset: { state: fact.state } }, fact.state),
            make("ul", {}, fact.items.map(item => make("li", {}, capital(item)))));
    })));
}

function missingCard({ notes }) {
    if (notes.missing.length === 0) return null;
    return make("section", { class: "card" }, make("h2", {}, "Missing, and what it would change"),
        make("ul", { class: "missing" }, notes.missing.map(missing).map(({ fact, what, alone, effect }) => make("li", {}, make("strong", {}, fact),
            make("ul", {}, what.map(each => make("li", {}, capital(plain(each))))), alone ? make("p", { class: "tag" }, "settles it alone") : null,
            effect ? make("p", { class: "settling" }, plain(effect)) : null))),
        notes.settling.map(text => make("p", { class: "settling" }, text)));
}

function others(resources, shown) {
    const found = resources.filter(({ resourceType, id }) => resourceType === "RiskAssessment" && id !== shown.id).map(({ id }) => readAssessment(resources, { id }));
    if (found.length === 0) return null;
    return make("section", { class: "card" }, make("h2", {}, "By other rules"), make("ul", { class: "lines" }, found.map(each =>
        make("li", {}, make("a", { href: `#${each.id}` }, each.title), `: ${categoryWords(each).join(" to ")}`))));
}

const careLines = text => text.replace(/^Found and in need of care: /, "").replace(/\.$/, "").split("; ").map(capital);

// Advice comes as sentences in one text.
const sentences = text => text.match(/[^.]+\.(?= |$)/g)?.map(each => each.trim()) ?? (text ? [text] : []);

async function show() {
    const id = location.hash.slice(1);
    let exam;
    try {
        exam = id ? await readExam(id) : null;
    } catch (error) {
        if (!(error instanceof Unreachable)) throw error;
        return replace(byId("content"), unreachable(show));
    }
    const resources = exam?.resources.map(({ body }) => body) ?? [];
    const assessment = readAssessment(resources, { id });
    if (!assessment) {
        return replace(byId("content"), make("div", { class: "empty" }, make("h1", {}, "No such result"), make("p", {}, "Look for the person on the page Examine, or in a worklist."), make("a", { class: "button", href: "/" }, "Examine")));
    }
    const { resource, notes } = assessment;
    const look = [...notes.exchanged, ...notes.lower, ...notes.contradiction].map(plain);
    const advice = sentences(assessment.todo);
    document.title = "Result - Solewire";
    return replace(byId("content"), make("div", { class: "result" },
        make("div", { class: "result-head" },
            make("div", {}, make("h1", {}, resource.subject?.identifier?.value ?? resource.subject?.reference ?? "Person"),
                make("p", {}, `Examined ${timeWords(resource.occurrenceDateTime)}. ${capital(assessment.status)}${exam.version > 1 ? `, version ${exam.version}` : ""}.`)),
            make("div", { class: "actions no-print" },
                make("button", { type: "button", onclick: () => print() }, "Print for the record"),
                make("a", { class: "button", href: `/sheet#${assessment.id}` }, "Sheet for the person"),
                may("operate") ? make("a", { class: "button quiet", href: `/inspect#${assessment.id}` }, "Inspect") : null)),
        hero(assessment),
        make("div", { class: "halves" },
            make("div", {}, feetCard(resultsOf(resources))),
            make("div", {}, list("Look at this first", look), missingCard(assessment), list("What to do", advice, "todo"), list("Needs care", notes.care.flatMap(careLines)),
                list("Compared with the last exam", notes.since.map(plain)), list("Each foot by itself", notes.foot), others(resources, assessment),
                list("Choices of local policy", notes.policy.map(text => capital(text.replace(/^Local policy: /, "")))))),
        whyCard(assessment),
        make("p", { class: "rules" }, "Rules: ", assessment.rules, ". ", make("span", { class: "for-print" }, `Assessment ${assessment.id}.`))));
}

if (document.body.dataset.page === "result") {
    addEventListener("hashchange", show);
    start("read", show);
}
