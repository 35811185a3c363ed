// What the service says about an exam, taken apart for showing. Nothing is added and nothing is decided.

import { CODE_WORDS, GROUPS, TEST_WORDS } from "./catalogue.js";
import { dateWords, make } from "./dom.js";

/** The words of a narrative, a line each. */
function narrative(resource) {
    const unescape = text => text.replace(/&(lt|gt|quot|amp|#39|apos);/g, (_, name) => ({ lt: "<", gt: ">", quot: '"', amp: "&", "#39": "'", apos: "'" })[name]);
    return [...(resource.text?.div ?? "").matchAll(/<p>([\s\S]*?)<\/p>/g)].map(([, text]) => unescape(text));
}

const noteKinds = [
    ["missing", text => / is not known\. Missing: /.test(text)],
    ["settling", text => /^The \w+ would be settled by: /.test(text)],
    ["lower", text => text.startsWith("Lower than before:")],
    ["exchanged", text => text.startsWith("Left and right may be exchanged:")],
    ["since", text => text.startsWith("Since the exam of ")],
    ["contradiction", text => text.startsWith("Contradiction: ")],
    ["policy", text => text.startsWith("Local policy: ")],
    ["foot", text => /^(Left|Right) foot by itself: /.test(text)],
    ["care", text => text.startsWith("Found and in need of care: ")],
    ["caution", text => text.startsWith("Decision support for trained clinicians;")],
];

/** An assessment among the resources of an exam, the one of `guideline` or of the assessment `id`. */
export function readAssessment(resources, { guideline, id }) {
    const assessments = resources.filter(({ resourceType }) => resourceType === "RiskAssessment");
    const resource = assessments.find(each => (id ? each.id === id : each.method?.coding?.[0]?.code === guideline)) ?? assessments[0];
    if (!resource) return null;
    const notes = Object.fromEntries([...noteKinds.map(([kind]) => [kind, []]), ["other", []]]);
    const texts = (resource.note ?? []).map(({ text }) => text);
    for (const text of texts) notes[noteKinds.find(([, is]) => is(text))?.[0] ?? "other"].push(text);
    const lines = narrative(resource);
    const [headline, ...rest] = lines;
    const related = kind => resources.find(({ resourceType, identifier }) => resourceType === "ServiceRequest" && identifier?.[0]?.system.endsWith(`/identifier/${kind}`));
    const risks = (resource.prediction ?? []).map(({ qualitativeRisk, probabilityDecimal }) => ({
        code: qualitativeRisk?.coding?.[0]?.code ?? null,
        display: qualitativeRisk?.coding?.[0]?.display ?? (probabilityDecimal === undefined ? "" : `${probabilityDecimal} %`),
    }));
    return {
        resource, notes, risks,
        id: resource.id,
        status: resource.status,
        guideline: resource.method?.coding?.[0]?.code ?? "",
        title: resource.method?.coding?.[0]?.display ?? "",
        rules: resource.method?.text ?? "",
        headline: headline ?? "",
        reasons: rest.filter(line => !texts.includes(line)),
        todo: resource.mitigation ?? "",
        settled: risks.length < 2,
        recall: related("recall") ?? null,
        referral: related("referral") ?? null,
    };
}

/** The name of a category without its guideline: `IWGDF 2023: moderate` is `moderate`. */
export function shortName(display) {
    return display.replace(/^[^:]*: /, "");
}

/** What a request asks for, in a sentence. */
export function requestWords(request) {
    return plain(request.note[0].text);
}

/** Whether a referral cannot wait: the look of its banner. */
export function isPressing(request) {
    return request?.priority === "stat" || request?.priority === "urgent";
}

/** The category or the range in large words. */
export function categoryWords(assessment) {
    const names = assessment.risks.map(({ display }) => shortName(display));
    if (names.length === 0) return ["No category"];
    return names.length === 1 || names[0] === names[1] ? [names[0]] : [names[0], names[1]];
}

/** The scale of a guideline with the categories that are still possible marked. */
export function scale(assessment, guidelines) {
    const guideline = guidelines?.find(({ id }) => id === assessment.guideline);
    if (!guideline || guideline.probability) return null;
    if (assessment.risks.every(({ code }) => guideline.categories.find(each => each.code === code)?.active)) return null;
    const categories = guideline.categories.filter(({ active }) => !active);
    const codes = guideline.categories.map(({ code }) => code);
    const [low, high] = [assessment.risks[0], assessment.risks.at(-1)].map(risk => codes.indexOf(risk?.code));
    const steps = categories.map(category => {
        const number = codes.indexOf(category.code);
        const within = low >= 0 && number >= low && number <= high;
        return make("li", { class: "scale-step", dataset: { within: String(within), rank: String(number) } },
            make("span", { class: "scale-bar", "aria-hidden": "true" }, within ? "\u25cf" : ""),
            make("span", { class: "scale-name" }, category.display),
            within ? make("span", { class: "unseen" }, " (possible)") : null);
    });
    return make("ol", { class: "scale", "aria-label": `Categories of ${guideline.title}, lowest first` }, steps);
}

/** A sentence with codes and dates for programs, with words in their place. What it says stays the same. */
export function plain(text) {
    const tests = [...TEST_WORDS.keys()].join("|");
    return text
        .replace(/\b\d{4}-\d{2}-\d{2}\b/g, dateWords)
        .replaceAll("(active-problem ", "(")
        .replace("(deformity significant-deformity, or every listed deformity)", "(your judgement, or every row)")
        // In brackets behind its name a code says nothing more; in a list it is the name.
        .replace(new RegExp(` \\((?:${tests})(?: [a-z0-9-]+)?\\)`, "g"), "")
        .replace(new RegExp(`(?<![\\w-])(?:${tests})(?![\\w-])(?=[^()]*\\))`, "g"), code => TEST_WORDS.get(code))
        .replace(/(?<![\w-])[a-z]+(?:-[a-z0-9]+)+(?![\w-])/g, code => CODE_WORDS.get(code) ?? code);
}

/** A note about what is missing, taken apart: `{ fact, what: [...], alone, effect, text }`. */
export function missing(text) {
    const [fact, rest] = text.split(" is not known. Missing: ");
    const [, list, effect] = /^(.*?)\.(?: ((?:This alone would|Alone it would) .*))?$/.exec(rest) ?? [null, rest, null];
    return { fact, what: list.split("; "), alone: /^This alone would settle/.test(effect ?? ""), effect: effect ?? null, text };
}

/** The step that can answer a part of what is missing. */
export function stepOf(text) {
    return GROUPS.find(({ test }) => new RegExp(`(?<![\\w-])${test}(?![\\w-])`).test(text))?.step ?? null;
}

/** `Fact state: evidence; evidence.` taken apart; nothing for other lines. */
export function evidence(line) {
    if (/ \(rule [a-z0-9-]+\)\.$/.test(line)) return null;
    const parts = /^(.*?) (present|absent): (.*)\.$/s.exec(line);
    return parts ? { fact: parts[1], state: parts[2], items: parts[3].split("; ") } : null;
}

/** The window of a request in words. */
export function windowWords(request) {
    const { start, end } = request?.occurrencePeriod ?? {};
    if (!start && !end) return "";
    if (start && end && start.slice(0, 10) === end.slice(0, 10)) return dateWords(end);
    if (!start) return `by ${dateWords(end)}`;
    return end ? `${dateWords(start)} to ${dateWords(end)}` : `from ${dateWords(start)}`;
}
