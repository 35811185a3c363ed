// The sheet that the person takes home: short sentences, large type, nothing that the result does not say.

import { isPressing, readAssessment } from "./assessment.js";
import { byId, dateWords, make, replace } from "./dom.js";
import { readExam } from "./result.js";
import { Unreachable } from "./service.js";
import { start, unreachable } from "./shell.js";

// Everyday words for the names that guidelines give their categories.
const EVERYDAY = { moderate: "medium", "in remission": "high, because you had a foot problem before" };

function everyday(display) {
    const name = display.replace(/^[^:]*: /, "");
    return EVERYDAY[name] ?? name;
}

function result(assessment) {
    const { referral, risks } = assessment;
    if (referral?.priority === "stat") return ["You have a foot problem that needs care today."];
    if (isPressing(referral)) return ["You have a foot problem that needs care very soon."];
    const names = risks.map(({ display }) => everyday(display)).filter(Boolean);
    if (names.length === 0) return ["We will tell you about your result."];
    if (names.length === 1) return [`Your risk of a foot sore is ${names[0]}.`];
    return ["Your foot check is not complete yet.", `Your risk of a foot sore is between ${names[0]} and ${names.at(-1)}.`];
}

function next(assessment) {
    const { recall, referral } = assessment;
    const lines = [];
    if (referral?.priority === "stat") lines.push("You need to be seen today. We will help you with this now. Do not wait.");
    else if (isPressing(referral)) lines.push(`The foot team needs to see you by ${dateWords(referral.occurrencePeriod?.end)}. Call us if you have heard nothing by then.`);
    else if (referral) lines.push(`We will ask the foot team to see you. This should be by ${dateWords(referral.occurrencePeriod?.end)}.`);
    const { start: from, end } = recall?.occurrencePeriod ?? {};
    if (end && from && from !== end) lines.push(`Your next foot check is due between ${dateWords(from)} and ${dateWords(end)}.`);
    else if (end) lines.push(`Your next foot check is due by ${dateWords(end)}.`);
    if (!isPressing(referral)) lines.push("Have you heard nothing by then? Please call us.");
    return lines;
}

// From the advice of the guidelines in use: the daily look, washing and drying, dry skin, nails, shoes, whom to call.
const DAILY = [
    "Look at both feet, also between the toes. Ask for help if you cannot see them well.",
    "Wash your feet. Dry them well between the toes.",
    "Use cream if your skin is dry.",
    "Cut your nails straight across.",
    "Do not walk with bare feet or only in socks. This is true at home too.",
];
const AT_ONCE = [
    "a sore, a blister or a cut on your foot",
    "a foot that is red, hot or swollen",
    "skin that turns blue or black",
    "fever, or you feel ill and have a bad foot",
];

async function show() {
    const id = location.hash.slice(1);
    let exam;
    try {
        exam = id ? await readExam(id) : null;
    } catch (error) {
        if (!(error instanceof Unreachable)) throw error;
        return replace(byId("content"), unreachable(show));
    }
    const assessment = readAssessment(exam?.resources.map(({ body }) => body) ?? [], { id });
    if (!assessment) return replace(byId("content"), make("div", { class: "empty" }, make("h1", {}, "No such result"), make("a", { class: "button", href: "/" }, "Examine")));
    const bullets = lines => make("ul", {}, lines.map(line => make("li", {}, line)));
    return replace(byId("content"),
        make("div", { class: "sheet-bar no-print" },
            make("a", { class: "button", href: `/result#${id}` }, "Back to the result"), make("button", { type: "button", class: "main-action", onclick: () => print() }, "Print")),
        make("article", { class: "sheet" },
            make("div", {}, make("h1", {}, "Your feet"), make("p", {}, `Checked on ${dateWords(assessment.resource.occurrenceDateTime)}`)),
            make("div", { class: "big" }, result(assessment).map(line => make("p", {}, line))),
            make("section", {}, make("h2", {}, "What comes next"), next(assessment).map(line => make("p", {}, line))),
            make("section", {}, make("h2", {}, "Every day"), bullets(DAILY)),
            make("section", { class: "at-once" }, make("h2", {}, "Call us at once if you have"), bullets(AT_ONCE),
                make("p", {}, "Our number: ", make("span", { class: "write-in" }, "\u00a0")))));
}

if (document.body.dataset.page === "sheet") {
    addEventListener("hashchange", show);
    start("read", show);
}
