// What is still to be done: recalls, referrals, exams that settle nothing, deliveries. Sorted and paged by the service.

import { missing, plain, shortName } from "./assessment.js";
import { byId, capital, dateWords, make, replace, timeWords } from "./dom.js";
import { ask, Unreachable } from "./service.js";
import { guarded, may, setup, start, unreachable } from "./shell.js";

const PAGE = 50;
const LISTS = [
    { id: "recalls", name: "Recalls", right: "read", empty: "Nobody is due." },
    { id: "referrals", name: "Referrals", right: "read", empty: "No referral is open." },
    { id: "incomplete", name: "Incomplete exams", right: "read", empty: "Every latest exam is settled." },
    { id: "deliveries", name: "Deliveries", right: "operate", empty: "There is no such delivery." },
];
const WHEN = { "": "All", overdue: "Overdue", due: "Due now", later: "Not yet due" };
const WHEN_LOOK = { overdue: ["unusual", "\u2715", "Overdue"], due: ["between", "!", "Due now"], later: ["none", "\u2013", "Not yet due"] };
const PRIORITY = { stat: ["unusual", "\u2715", "At once"], urgent: ["unusual", "\u2715", "Urgent"], routine: ["none", "\u2013", "Routine"] };
const STATES = {
    parked: ["unusual", "\u2715", "Parked"], "unknown-outcome": ["between", "!", "Outcome not known"], pending: ["between", "!", "Waiting"],
    sending: ["between", "!", "Under way"], delivered: ["usual", "\u2713", "Delivered"], verified: ["usual", "\u2713", "Verified"], discarded: ["none", "\u2013", "Discarded"],
};

const view = { list: "recalls", when: "", risk: "", offset: 0, state: "parked", after: [0] };

const word = ([look, sign, text]) => make("span", { class: "mark-word", dataset: { look } }, make("span", { "aria-hidden": "true" }, sign), text);

function cells(row) {
    return make("tr", {}, row.map(([name, ...content]) => make("td", { "data-name": name }, content)));
}

function table(caption, names, rows) {
    return make("div", { class: "list" }, make("table", {}, make("caption", { class: "unseen" }, caption),
        make("thead", {}, make("tr", {}, names.map(name => make("th", { scope: "col" }, name)))), make("tbody", {}, rows)));
}

/** How far away an instant is, in words. */
function left(text) {
    const days = (new Date(text) - Date.now()) / 86_400_000;
    const words = count => (count === 1 ? "1 day" : `${count} days`);
    if (Math.abs(days) < 1) {
        const hours = Math.max(1, Math.round(Math.abs(days) * 24));
        return days < 0 ? `${hours} h over` : `${hours} h left`;
    }
    return days < 0 ? `${words(Math.floor(-days))} over` : `${words(Math.floor(days))} left`;
}

const person = entry => make("a", { href: `/result#${entry.assessment}` }, entry.person?.value ?? "Person");
const risks = entry => (entry.risks.length === 0 ? "none" : capital([...new Set(entry.risks.map(({ display, code }) => shortName(display ?? code)))].join(" to ")));

const ROWS = {
    recalls: {
        names: ["Person", "Category", "When", "Window", "Last examined"],
        row: entry => [["Person", person(entry)], ["Category", risks(entry)], ["When", word(WHEN_LOOK[entry.when]), " ", entry.when === "later" ? "" : left(entry.ends)],
            ["Window", entry.from === entry.to ? dateWords(entry.to) : `${dateWords(entry.from)} to ${dateWords(entry.to)}`], ["Last examined", dateWords(entry.examined)]],
    },
    referrals: {
        names: ["Person", "How urgent", "Time left", "What", "Examined"],
        row: entry => [["Person", person(entry)], ["How urgent", word(PRIORITY[entry.priority] ?? PRIORITY.routine)],
            ["Time left", word([WHEN_LOOK[entry.when][0], WHEN_LOOK[entry.when][1], entry.ends ? left(entry.ends) : "no date"])], ["What", entry.what ?? ""], ["Examined", timeWords(entry.examined)]],
    },
    incomplete: {
        names: ["Person", "Between", "Not known", "Examined"],
        row: entry => [["Person", person(entry)], ["Between", risks(entry)],
            ["Not known", entry.missing.length > 0 ? entry.missing.map(text => missing(text).fact).join("; ") : "Waits for more results"], ["Examined", timeWords(entry.examined)]],
    },
};

async function show() {
    const wanted = LISTS.find(({ id, right }) => `#${id}` === location.hash && may(right)) ?? LISTS[0];
    const shown = view.list === wanted.id ? byId("list") : null;
    if (view.list !== wanted.id) Object.assign(view, { list: wanted.id, when: "", risk: "", offset: 0, after: [0] });
    const tabs = make("nav", { class: "tabs", "aria-label": "Lists" }, LISTS.filter(({ right }) => may(right)).map(list =>
        make("a", { href: `#${list.id}`, "aria-current": list === wanted ? "page" : null }, list.name)));
    const body = shown ?? make("div", { id: "list" });
    // Another page of the same list takes the place of the one before once it is there.
    if (!shown) replace(byId("content"), make("h1", {}, "Worklists"), tabs, body);
    // On a narrow screen the tabs are wider than it; the one that is shown is brought into sight.
    tabs.querySelector("[aria-current]")?.scrollIntoView({ block: "nearest", inline: "nearest" });
    document.title = `${wanted.name} - Solewire`;
    try {
        if (wanted.id === "deliveries") await showDeliveries(body, wanted);
        else await showList(body, wanted);
    } catch (error) {
        if (!(error instanceof Unreachable)) throw error;
        replace(body, unreachable(show));
    }
}

function choose(id, label, options, value, chosen) {
    return make("label", { for: id }, label, make("select", { id, onchange: event => chosen(event.target.value) },
        options.map(([code, name]) => make("option", { value: code, selected: code === value }, name))));
}

async function showList(body, list) {
    const query = new URLSearchParams({ when: view.when, risk: view.risk });
    const answer = await guarded(() => ask(`/pages/worklists/${list.id}?${query}&offset=${view.offset}&count=${PAGE}`));
    if (!answer) return;
    const { total, more, next, entries } = answer.body;
    const people = `${more ? "more than " : ""}${total.toLocaleString("en-GB")}`;
    const { names, row } = ROWS[list.id];
    const guideline = setup().guidelines.find(({ id }) => id === setup().guideline);
    const categories = guideline.categories.filter(({ active }) => !active || list.id !== "recalls").map(({ code, display }) => [code, capital(display)]);
    const filter = change => {
        Object.assign(view, change, { offset: 0 });
        show().then(() => byId(Object.keys(change)[0])?.focus());
    };
    replace(body,
        make("div", { class: "filters" },
            list.id === "incomplete" ? null : choose("when", "When", Object.entries(WHEN), view.when, when => filter({ when })),
            choose("risk", list.id === "incomplete" ? "Highest still possible" : `Category, ${guideline.title}`, [["", "All"], ...categories], view.risk, risk => filter({ risk })),
            make("a", { class: "button", href: `/pages/worklists/${list.id}.csv?${query}`, download: `${list.id}.csv` }, "Save as CSV"),
            make("p", { class: "count", role: "status" }, total === 1 ? "1 person" : `${capital(people)} people`)),
        make("p", { class: "help" }, "The most dangerous first. A person stands here until a later exam is stored."),
        entries.length === 0 ? make("p", { class: "empty" }, list.empty) : table(list.name, names, entries.map(entry => cells(row(entry)))),
        pager(people, entries.length, next));
}

function pager(people, shown, next) {
    if (view.offset === 0 && !next) return null;
    const go = offset => {
        view.offset = offset;
        show().then(() => byId("pages-of-list")?.focus());
    };
    return make("nav", { class: "pager", "aria-label": "Pages of the list" },
        make("button", { type: "button", disabled: view.offset === 0, onclick: () => go(Math.max(0, view.offset - PAGE)) }, "Previous"),
        make("p", { id: "pages-of-list", tabindex: "-1" }, `${view.offset + 1} to ${view.offset + shown} of ${people}`),
        make("button", { type: "button", disabled: !next, onclick: () => go(view.offset + PAGE) }, "Next"));
}

async function showDeliveries(body, list) {
    const query = new URLSearchParams({ after: String(view.after.at(-1)) });
    if (view.state) query.set("state", view.state);
    const answer = await guarded(() => ask(`/pages/deliveries?${query}`));
    if (!answer) return;
    const { lane, counts, deliveries, next } = answer.body;
    const options = [["", "All"], ...Object.entries(STATES).map(([code, [, , name]]) => [code, `${name} (${counts[code] ?? 0})`])];
    const lanes = { off: "Nothing is forwarded: no record system is set up.", open: "The record system is being reached." };
    const laneWords = lanes[lane.state] ?? `The record system is not reached since ${timeWords(lane.since)}: ${lane.failure}. Next try ${timeWords(lane.retryAt)}. Nothing is lost.`;
    replace(body,
        make("p", { class: lane.state === "paused" ? "warn" : "help" }, laneWords),
        make("div", { class: "filters" }, choose("state", "State", options, view.state, state => {
            Object.assign(view, { state, after: [0] });
            show().then(() => byId("state")?.focus());
        })),
        deliveries.length === 0 ? make("p", { class: "empty" }, list.empty) : table(list.name, ["Delivery", "State", "Reason", "Tries", "Made", "Next try"], deliveries.map(each => cells([
            ["Delivery", make("a", { href: `/inspect#delivery-${each.id}` }, `Number ${each.id}`)],
            ["State", word(STATES[each.state] ?? ["between", "!", each.state])],
            ["Reason", each.failure ? `${each.failure}${each.remoteStatus ? `, status ${each.remoteStatus}` : ""}` : "\u2013"],
            ["Tries", String(each.attempts)], ["Made", timeWords(each.created)], ["Next try", each.notBefore ? timeWords(each.notBefore) : "\u2013"],
        ]))),
        next || view.after.length > 1 ? make("nav", { class: "pager", "aria-label": "Pages of the list" },
            make("button", { type: "button", disabled: view.after.length === 1, onclick: () => { view.after.pop(); show(); } }, "Previous"),
            make("button", { type: "button", disabled: !next, onclick: () => { view.after.push(next); show(); } }, "Next")) : null);
}

addEventListener("hashchange", show);
start("read", show);
