// The capture page: the steps, what follows so far, and sending.

import { Answers, isWhole, placeOf } from "./answers.js";
import { categoryWords, isPressing, missing, plain, readAssessment, requestWords, scale, stepOf, windowWords } from "./assessment.js";
import { SIDES, STEPS } from "./catalogue.js";
import { Board, isAsked, partsOf } from "./controls.js";
import { documentOf, isNumber, placeOfIssue } from "./document.js";
import { announce, byId, capital, make, replace, timeWords } from "./dom.js";
import { ask, issuesOf, refuses, Unreachable } from "./service.js";
import { guarded, may, setup } from "./shell.js";
import * as work from "./work.js";

/** How long answers rest before the service is asked what follows from them. */
const REST = 250;
const REVIEW = { id: "review", name: "Review and send" };

/** An exam that is being taken. */
export class Exam {
    constructor(record) {
        this.closing = new AbortController();
        this.record = record;
        this.answers = new Answers(record);
        /** What the service has against the exam as it is: places and issues. */
        this.issues = new Map();
        /** What it said when the exam was sent; it holds until something is changed. */
        this.refusal = [];
        this.board = null;
        this.asking = null;
        this.resting = 0;
        this.said = "";
        this.steps = [...STEPS, REVIEW];
    }

    open() {
        const { record } = this;
        document.title = "Examination - Solewire";
        replace(byId("who"), make("strong", {}, record.person.value), make("span", {}, `examined ${timeWords(record.started)}`));
        const { signal } = this.closing;
        byId("live-details").open = matchMedia("(min-width: 1100px)").matches;
        byId("undo").disabled = true;
        byId("undo").addEventListener("click", () => this.undo(), { signal });
        document.addEventListener("keydown", event => {
            if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z" && event.target.type !== "text") {
                event.preventDefault();
                this.undo();
            }
        }, { signal });
        work.news.addEventListener("sent", event => this.#sent(event.detail), { signal });
        work.news.addEventListener("refused", event => event.detail === record.id && this.#refused(), { signal });
        addEventListener("online", () => this.assess(), { signal });
        byId("exam").dataset.waiting = String(record.state === "waiting");
        if (record.state === "waiting") return this.#showWaiting();
        if (record.state === "refused") return this.#takeBack();
        return this.show(record.step, true);
    }

    /** Leaves the exam; it stays where it is kept. */
    close() {
        this.closing.abort();
        this.asking?.abort();
        clearTimeout(this.resting);
    }

    /** Takes answers; the words are for those who listen. */
    change(changes, words) {
        this.answers.set(changes);
        this.#changed(words);
    }

    undo() {
        const [place] = this.answers.undo();
        if (!place) return announce("Nothing to take back");
        const step = this.#stepOfPlace(place);
        if (step && step !== this.record.step) this.show(step);
        this.#changed("Taken back");
        return this.board?.focusPlace(place);
    }

    #changed(words) {
        this.record.answers = this.answers.plain();
        this.record.issues = [];
        this.refusal = [];
        work.save(this.record);
        this.board?.refresh();
        this.#rail();
        this.#showIssues();
        if (words) announce(words);
        byId("undo").disabled = this.answers.past.length === 0;
        clearTimeout(this.resting);
        byId("live").dataset.state = "asking";
        this.resting = setTimeout(() => this.assess(), REST);
    }

    /** Another way to record the monofilament. */
    manner(name, value) {
        if (name === "protocol") this.record.protocol = Number(value);
        else this.record.asked = value === "yes";
        work.save(this.record);
        this.show("monofilament");
        byId("step").querySelector(`input[name="${name}"][value="${value}"]`)?.focus();
    }

    next() {
        const at = this.steps.findIndex(({ id }) => id === this.record.step);
        this.show(this.steps[Math.min(at + 1, this.steps.length - 1)].id, true);
    }

    previous() {
        const at = this.steps.findIndex(({ id }) => id === this.record.step);
        this.show(this.steps[Math.max(at - 1, 0)].id, true);
    }

    /** Shows a step. */
    show(id, takesFocus = false) {
        const step = this.steps.find(each => each.id === id) ?? this.steps[0];
        const turned = this.record.step !== step.id;
        this.record.step = step.id;
        if (turned) work.save(this.record);
        const number = this.steps.indexOf(step) + 1;
        const heading = make("h2", { id: "step-title", tabindex: "-1" }, make("span", { class: "step-number" }, `${number} of ${this.steps.length}`), step.name);
        this.board = step === REVIEW ? null : new Board(this, step);
        replace(byId("step"), heading, this.board ? this.board.element : this.#review(),
            make("div", { class: "step-ends" },
                number > 1 ? make("button", { type: "button", class: "back", onclick: () => this.previous() }, "Back", this.board ? make("kbd", { "aria-hidden": "true" }, "P") : null) : null,
                this.board ? make("button", { type: "button", onclick: () => this.next() }, "Next", make("kbd", { "aria-hidden": "true" }, "N")) : null));
        this.#rail();
        this.#showIssues();
        if (takesFocus || turned) {
            byId("step").scrollIntoView({ block: "start" });
            if (this.board) this.board.focus();
            else byId("send").focus({ preventScroll: true });
            announce(`${step.name}, step ${number} of ${this.steps.length}`);
        }
        this.assess();
    }

    // How much of each step is recorded. Groups that are asked for only when opened do not count.
    #counts(step) {
        let [whole, done, without] = [0, 0, 0];
        for (const group of step.groups ?? []) {
            for (const side of group.scope === "foot" ? SIDES : [{ id: "" }]) {
                for (const part of partsOf(group, this.record)) {
                    const answer = this.answers.get(placeOf(group.test, side.id, part.code));
                    if (!isAsked(group, side.id, part, this.answers) || (group.more && !answer)) continue;
                    whole += 1;
                    if (isWhole(answer)) done += 1;
                    if (answer?.reason) without += 1;
                }
            }
        }
        return { whole, done, without };
    }

    #rail() {
        replace(byId("rail"), this.steps.map((step, index) => {
            const { whole, done } = this.#counts(step);
            const state = step === REVIEW ? "review" : done === 0 ? "open" : done < whole ? "part" : "done";
            const sign = { open: "", part: "\u25d0", done: "\u2713", review: "\u279c" }[state];
            return make("li", {}, make("button", {
                type: "button", dataset: { state }, "aria-current": step.id === this.record.step ? "step" : null, onclick: () => this.show(step.id, true),
            }, make("span", { class: "rail-sign", "aria-hidden": "true" }, sign || String(index + 1)), make("span", { class: "rail-name" }, step.name),
            step === REVIEW ? null : make("span", { class: "rail-count" }, `${done}/${whole}`, make("span", { class: "unseen" }, " recorded"))));
        }));
        byId("rail").querySelector("[aria-current]")?.scrollIntoView({ block: "nearest", inline: "center" });
    }

    #stepOfPlace(place) {
        const test = place.split("|")[0].split(/[@#]/)[0];
        return STEPS.find(step => step.groups.some(group => group.test === (test === "ulcer" ? "active-problem" : test)))?.id ?? null;
    }

    // ---- what follows

    /** Asks the service what follows from the answers so far. */
    async assess() {
        clearTimeout(this.resting);
        this.asking?.abort();
        this.asking = new AbortController();
        const { signal } = this.asking;
        const { text, fields } = documentOf(this.record, this.answers);
        byId("live").dataset.state = "asking";
        try {
            const answer = await guarded(() => ask("/fhir/$assess", { method: "POST", body: text, signal }));
            if (!answer || signal.aborted) return;
            if (answer.status !== 200) this.#showRefusal(issuesOf(answer.body), fields);
            else this.#showAssessment(answer.body.entry.map(({ resource }) => resource), fields);
        } catch (error) {
            if (error.name === "AbortError") return;
            if (!(error instanceof Unreachable)) throw error;
            byId("live").dataset.state = "away";
            replace(byId("live-state"), "No connection: what follows is not up to date. Answers are kept.");
        }
    }

    #showAssessment(resources, fields) {
        const assessment = readAssessment(resources, { guideline: setup().guideline });
        this.#takeIssues(this.refusal, fields);
        byId("live").dataset.state = "fresh";
        replace(byId("live-state"), "As it stands now");
        const words = categoryWords(assessment);
        const { referral, recall, notes } = assessment;
        const pressing = isPressing(referral);
        replace(byId("live-body"),
            this.issues.size > 0 ? this.#issueList() : null,
            pressing ? make("p", { class: "urgent" }, make("strong", {}, referral.priority === "stat" ? "At once. " : "Urgent. "), requestWords(referral)) : null,
            make("p", { class: "live-title" }, assessment.title),
            make("p", { class: "live-words", id: "live-words" }, words.length === 1 ? capital(words[0]) : `${capital(words[0])} to ${words[1]}`),
            scale(assessment, setup().guidelines),
            this.#missingList(notes),
            notes.contradiction.map(text => make("p", { class: "warn" }, plain(text))),
            recall ? make("p", { class: "live-recall" }, make("strong", {}, "Next examination: "), windowWords(recall)) : null,
            referral && !pressing ? make("p", { class: "live-recall" }, make("strong", {}, "Referral: "), requestWords(referral)) : null);
        const line = words.join(" to ");
        byId("live").dataset.urgent = String(pressing);
        byId("live-short").textContent = `${pressing ? "Urgent: " : ""}${pressing ? line : capital(line)}${assessment.settled ? "" : `, ${notes.missing.length} not known`}`;
        if (line !== this.said) announce(`As it stands: ${line}`);
        this.said = line;
        this.assessment = assessment;
        this.#readiness();
    }

    #missingList(notes) {
        if (notes.missing.length === 0) return make("p", { class: "settled" }, "Nothing that is missing would change this.");
        return [
            make("h3", {}, "Missing, and what it would change"),
            make("ul", { class: "missing" }, notes.missing.map(missing).map(({ fact, what, alone, effect, text }) => make("li", { dataset: { missing: text } },
                make("strong", {}, fact),
                make("ul", {}, what.map(each => {
                    const step = stepOf(each);
                    return make("li", {}, step ? make("button", { type: "button", class: "link", onclick: () => this.show(step, true) }, capital(plain(each))) : capital(plain(each)));
                })),
                alone ? make("p", { class: "tag" }, "settles it alone") : null,
                effect ? make("p", { class: "settling" }, plain(effect)) : null))),
            notes.settling.map(text => make("p", { class: "settling" }, text)),
        ];
    }

    // ---- what the service has against it

    #showRefusal(issues, fields) {
        byId("live").dataset.state = "refused";
        replace(byId("live-state"), "Not assessed yet");
        byId("live-short").textContent = "Something has to be mended";
        this.#takeIssues(issues.filter(refuses), fields);
        replace(byId("live-body"), this.#issueList());
        this.#readiness();
    }

    #takeIssues(issues, fields) {
        this.issues = new Map();
        for (const issue of issues) {
            const place = placeOfIssue(issue.expression, fields) ?? "";
            this.issues.set(place, [...(this.issues.get(place) ?? []), issue]);
        }
        this.#showIssues();
    }

    // What cannot be a number is not sent, so it must not look as if it were.
    #unreadable() {
        return [...this.answers.given].filter(([, answer]) => answer.number !== undefined && answer.number.trim() && !isNumber(answer.number)).map(([place]) => place);
    }

    #showIssues() {
        const all = new Map(this.issues);
        for (const place of this.#unreadable()) {
            all.set(place, [{ text: "This is not a number, so it is not sent.", mend: "Write digits, such as 36.5." }]);
        }
        this.board?.showIssues(all);
    }

    #issueList() {
        return make("ul", { class: "issues" }, [...this.issues].flatMap(([place, issues]) => issues.map(issue => {
            const step = place.includes("|") ? this.#stepOfPlace(place) : null;
            return make("li", {}, make("strong", {}, issue.text), " ", issue.mend, " ",
                step ? make("button", { type: "button", class: "link", onclick: () => this.#goTo(step, place) }, "Go there") : null,
                make("code", {}, issue.rule));
        })));
    }

    #goTo(step, place) {
        this.show(step, true);
        this.board?.focusPlace(place);
    }

    // ---- sending

    #review() {
        const status = (value, label, help) => make("label", { class: "switch wide" },
            make("input", { type: "radio", name: "status", value, checked: this.record.status === value, onchange: () => this.#status(value) }),
            make("span", {}, label, make("small", {}, help)));
        return make("div", { class: "review" },
            make("table", {}, make("caption", { class: "unseen" }, "What is recorded"),
                make("thead", {}, make("tr", {}, ["Step", "Recorded", "No result, with reason", "Open"].map(name => make("th", { scope: "col" }, name)))),
                make("tbody", {}, STEPS.map(step => {
                    const { whole, done, without } = this.#counts(step);
                    return make("tr", { dataset: { open: String(whole > done) } },
                        make("th", { scope: "row" }, make("button", { type: "button", class: "link", onclick: () => this.show(step.id, true) }, step.name)),
                        make("td", {}, done - without), make("td", {}, without || "\u2013"), make("td", {}, whole - done || "\u2013"));
                }))),
            make("p", { class: "help" }, "What is open is sent as not recorded. It never counts as normal."),
            make("fieldset", { class: "finish" }, make("legend", {}, "Is the exam finished?"),
                status("final", "Yes, finished", "It counts as the exam of this visit."),
                status("preliminary", "No, more results follow", "It is assessed and stays preliminary.")),
            make("div", { id: "readiness", role: "status" }),
            make("button", { type: "button", id: "send", class: "main-action", onclick: () => this.#send() }, "Send the exam"));
    }

    #status(value) {
        this.record.status = value;
        work.save(this.record);
        this.assess();
    }

    #readiness() {
        const place = byId("readiness");
        if (!place) return;
        const begun = [...this.answers.given.values()].filter(answer => answer.ratio && !isWhole(answer)).length;
        const unreadable = this.#unreadable().length;
        const lines = [];
        if (this.issues.size > 0) lines.push("The service would refuse the exam as it is; see what has to be mended.");
        if (unreadable > 0) lines.push(`${unreadable} of the numbers cannot be read; correct or clear them first.`);
        if (begun > 0) lines.push(`At ${begun} of the sites the three questions were begun and not finished; these sites count as not tested.`);
        if (lines.length === 0 && this.assessment && !this.assessment.settled) lines.push("The category is not settled. The exam can be sent; it stays a range until the rest is known.");
        place.dataset.state = this.issues.size > 0 || unreadable > 0 ? "refused" : "fine";
        replace(place, lines.map(line => make("span", { class: "issue-line" }, line)), this.issues.size > 0 ? this.#issueList() : null);
    }

    async #send() {
        if (this.#unreadable().length > 0) return this.#readiness();
        const { text } = documentOf(this.record, this.answers);
        this.record.state = "waiting";
        this.#showWaiting();
        return work.queue(this.record, text);
    }

    #showWaiting() {
        this.board = null;
        byId("exam").dataset.waiting = "true";
        replace(byId("step"), make("div", { class: "waiting-card", role: "status" },
            make("h2", { id: "step-title", tabindex: "-1" }, "On its way"),
            make("p", {}, work.isKept()
                ? "The exam is kept on this device, encrypted, until the service has it. It is sent once, also if this page is closed and opened again."
                : "The exam is kept in this tab only. Leave it open until it was sent."),
            make("p", { id: "waiting-fault" }),
            make("div", { class: "step-ends" },
                make("button", { type: "button", onclick: () => work.retryNow() }, "Try now"),
                make("a", { class: "button", href: "#begin" }, "Next person"))));
        const tell = async () => {
            const { fault } = await work.summary();
            const place = byId("waiting-fault");
            if (place) place.textContent = fault;
        };
        work.news.addEventListener("change", tell, { signal: this.closing.signal });
        tell();
    }

    #sent({ id, assessment }) {
        if (id !== this.record.id) return undefined;
        this.record.state = "sent";
        if (may("read") && assessment) return location.replace(`/result#${assessment}`);
        return replace(byId("step"), make("div", { class: "waiting-card", role: "status" }, make("h2", {}, "Stored"),
            make("p", {}, "The service has the exam."), make("a", { class: "button", href: "#begin" }, "Next person")));
    }

    async #refused() {
        this.record = (await work.find(this.record.id)) ?? this.record;
        this.#takeBack();
    }

    // A refused exam is open again; what the service said stands at the fields.
    #takeBack() {
        const { record } = this;
        byId("exam").dataset.waiting = "false";
        this.refusal = record.issues.filter(refuses);
        record.state = "draft";
        record.text = "";
        const { fields } = documentOf(record, this.answers);
        const place = this.refusal.map(({ expression }) => placeOfIssue(expression, fields)).find(each => each?.includes("|"));
        this.show(place ? this.#stepOfPlace(place) : "review", true);
        this.#takeIssues(this.refusal, fields);
        if (place) this.board?.focusPlace(place);
        work.save(record);
        announce("The service refused the exam. What has to be mended is shown.");
    }
}
