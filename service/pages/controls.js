// The rows of a step: one for each result. A row can be answered by touch, by mouse and by keys while it has the
// focus; keys do nothing elsewhere, so they are in nobody's way.

import { isWhole, placeOf, QUESTIONS } from "./answers.js";
import { MOST_ULCERS, PROTOCOLS, REASONS, SIDES, ULCER, ulcerTest, ZONES } from "./catalogue.js";
import { announce, draw, make, replace } from "./dom.js";
import { foot } from "./feet.js";

/** The parts of a group that are asked for in this exam. */
export function partsOf(group, record) {
    const parts = group.parts ?? [{ code: "", label: group.title }];
    return group.protocol ? parts.filter(({ code }) => PROTOCOLS[record.protocol].includes(code)) : parts;
}

/** Whether a row is shown: some are asked only after a yes in their column. */
export function isAsked(group, side, part, answers) {
    if (!part.afterYes) return true;
    const others = group.parts.filter(other => other !== part);
    return answers.isDone(placeOf(group.test, side, part.code)) || others.some(other => answers.get(placeOf(group.test, side, other.code))?.code === "present");
}

/** What an answer looks like: the shape of its mark. */
export function lookOf(answer, group) {
    if (!answer) return "open";
    if (answer.reason) return "none";
    if (answer.ratio) return !isWhole(answer) ? "open" : answer.ratio.filter(Boolean).length >= 2 ? "usual" : "unusual";
    if (answer.number !== undefined) return answer.number.trim() ? "between" : "open";
    return group.answers?.find(({ code }) => code === answer.code)?.look ?? "between";
}

const SIGNS = { usual: "\u2713", unusual: "\u2715", between: "!", none: "\u2013" };

/** Which of the three questions at a site is the sham: it differs from site to site and stays for the exam. */
function shamOf(record, place) {
    let sum = 0;
    for (const letter of record.id + place) sum = (sum * 31 + letter.charCodeAt(0)) % 9973;
    return sum % QUESTIONS;
}

/** The board of one step. `host` has record, answers, change(changes, words), next(), previous(). */
export class Board {
    constructor(host, step) {
        this.host = host;
        this.step = step;
        this.rows = [];
        this.columns = [];
        this.element = make("div", { class: "board", onkeydown: event => this.#key(event) }, step.groups.map(group => this.#group(group)));
        this.refresh();
    }

    #group(group) {
        const { record } = this.host;
        const id = `group-${group.test}`;
        const sides = group.scope === "foot" ? SIDES : [{ id: "", name: "" }];
        const body = make("div", { class: sides.length === 2 ? "feet" : "person" }, sides.map(side => this.#column(group, side)));
        const content = [group.help ? make("p", { class: "help" }, group.help) : null, group.asked ? this.#manner() : null, body];
        if (group.more) {
            const details = make("details", { class: "group more" }, make("summary", {}, make("h3", { id }, group.title), make("span", { class: "tag" }, "if done")), content);
            const hasAnswer = sides.some(side => partsOf(group, record).some(part => this.host.answers.get(placeOf(group.test, side.id, part.code))));
            details.open = hasAnswer;
            return details;
        }
        return make("section", { class: "group", "aria-labelledby": id }, make("h3", { id }, group.title), content);
    }

    // How the monofilament is recorded: which sites, and a result or three questions for each.
    #manner() {
        const { record } = this.host;
        const option = (name, value, label, chosen) =>
            make("label", { class: "switch" }, make("input", { type: "radio", name, value, checked: chosen, onchange: () => this.host.manner(name, value) }), make("span", {}, label));
        return make("div", { class: "manner" },
            make("fieldset", {}, make("legend", {}, "Sites on each foot"), Object.keys(PROTOCOLS).map(size => option("protocol", size, size, Number(size) === record.protocol))),
            make("fieldset", {}, make("legend", {}, "Record at each site"),
                option("asked", "no", "A result", !record.asked), option("asked", "yes", "Three questions", record.asked)));
    }

    #column(group, side) {
        const { record } = this.host;
        const parts = partsOf(group, record);
        const column = { group, side, rows: [], drawing: null, all: null };
        column.rows = parts.map(part => new Row(this, column, part));
        this.rows.push(...column.rows);
        this.columns.push(column);
        const heading = side.name ? make("h4", { class: "side", id: `column-${group.test}-${side.id}` }, side.name) : null;
        if (group.all && parts.length > 1) {
            column.all = make("button", { type: "button", class: "all", onclick: () => this.#all(column) },
                make("span", {}, group.all), side.name ? make("span", { class: "unseen" }, `, ${side.name.toLowerCase()}`) : null, make("kbd", { "aria-hidden": "true" }, "A"));
        }
        if (group.view) column.drawing = make("div", { class: "drawing" });
        const list = make("div", { class: "rows" }, column.rows.map(({ element }) => element));
        return make("div", { class: "column", role: "group", dataset: { side: side.id }, "aria-labelledby": side.name ? `column-${group.test}-${side.id}` : `group-${group.test}` },
            heading, column.drawing, column.all, list);
    }

    #all(column) {
        const open = column.rows.filter(row => row.isShown() && !row.isDone());
        if (open.length === 0) return;
        const first = column.group.answers[0];
        const changes = new Map(open.map(({ place }) => [place, { code: first.code }]));
        this.host.change(changes, `${column.side.name ? `${column.side.name}: ` : ""}${column.group.all}, ${open.length} recorded`);
    }

    #key(event) {
        if (event.ctrlKey || event.metaKey || event.altKey) return;
        const row = this.rows.find(({ element }) => element.contains(event.target));
        const column = row?.column ?? this.columns.find(({ all }) => all === event.target);
        if (!column) return;
        const name = event.key.length === 1 ? event.key.toLowerCase() : event.key;
        if (event.target.tagName === "SELECT") {
            if (name === "Enter") this.#onward(event, row);
            return;
        }
        if (name === "n") return this.#turn(event, () => this.host.next());
        if (name === "p") return this.#turn(event, () => this.host.previous());
        if (name === "a" && column.all) {
            return this.#turn(event, () => {
                this.#all(column);
                this.#focusAfter(column.rows.at(-1));
            });
        }
        if (!row) return;
        if (name === "Enter" && !["BUTTON", "SUMMARY"].includes(event.target.tagName)) return this.#onward(event, row);
        if (event.target.type === "checkbox") return;
        const typing = event.target.type === "text";
        if (name === "t" && row.timer) return this.#turn(event, () => row.timer.press());
        if (name === "x") return this.#turn(event, () => row.giveReason("not-done", true));
        if (typing) return;
        if (name === "Backspace" || name === "Delete") return this.#turn(event, () => row.clear());
        if (row.giveByKey(name)) {
            event.preventDefault();
            if (row.isDone()) this.#focusAfter(row);
            else row.focus();
        }
    }

    #turn(event, doing) {
        event.preventDefault();
        doing();
    }

    #onward(event, row) {
        event.preventDefault();
        this.#focusAfter(row);
    }

    #focusAfter(row) {
        const at = this.rows.indexOf(row);
        const next = this.rows.find((each, number) => number > at && each.isShown());
        if (next) next.focus();
        else this.host.next();
    }

    /** Puts the focus on the first row without an answer, else on the first. */
    focus() {
        const shown = this.rows.filter(row => row.isShown());
        (shown.find(row => !row.isDone()) ?? shown[0])?.focus();
    }

    /** Puts the focus on a place, if this step has it. */
    focusPlace(place) {
        const row = this.rows.find(each => each.place === place || each.owns(place));
        if (!row) return false;
        const details = row.element.closest("details");
        if (details) details.open = true;
        row.focus();
        row.element.scrollIntoView({ block: "center" });
        return true;
    }

    /** Shows the answers as they are. */
    refresh() {
        for (const row of this.rows) row.refresh();
        for (const column of this.columns) {
            const shown = column.rows.filter(row => !row.element.hidden);
            const open = shown.filter(row => !row.isDone()).length;
            if (column.all) column.all.disabled = open === 0;
            if (column.drawing) {
                const marks = shown.map((row, index) => ({ site: row.part.code, look: lookOf(row.answer, column.group), number: index + 1 }));
                const view = column.group.view === "plantar" ? "sole" : "top";
                // A site of the top among sites of the sole has no place in this view; its row is enough.
                replace(column.drawing, foot({
                    side: column.side.id, view, marks,
                    title: `${column.side.name}, ${view}: ${shown.length - open} of ${shown.length} recorded`,
                    onmark: site => column.rows.find(row => row.part.code === site)?.focus(),
                }));
            }
        }
    }

    /** Shows what the service said against answers: a map from places to issues. */
    showIssues(byPlace) {
        for (const row of this.rows) row.showIssues([...byPlace].filter(([place]) => place === row.place || row.owns(place)).flatMap(([, issues]) => issues));
    }
}

class Row {
    constructor(board, column, part) {
        this.board = board;
        this.column = column;
        this.part = part;
        this.group = column.group;
        this.place = placeOf(this.group.test, column.side.id, part.code);
        this.inputs = new Map();
        this.issue = make("p", { class: "row-issue", id: `issue-${this.place}`, hidden: true });
        this.extra = make("div", { class: "extra", hidden: true });
        const single = !this.group.parts;
        const legend = make("legend", { class: single ? "unseen" : null },
            column.side.name ? make("span", { class: "unseen" }, `${column.side.name}, ${this.group.title}: `) : null, part.label);
        this.body = make("div", { class: "row-body" });
        this.element = make("fieldset", { class: "row", dataset: { place: this.place } }, legend, this.body, this.extra, this.issue);
        this.#build();
    }

    get answer() {
        return this.board.host.answers.get(this.place);
    }

    isDone() {
        return isWhole(this.answer);
    }

    isShown() {
        return !this.element.hidden && !(this.element.closest("details") && !this.element.closest("details").open);
    }

    /** Whether a place is shown inside this row: where on the foot, and what an ulcer is like. */
    owns(place) {
        const [test, side, part] = place.split("|");
        if (side !== this.column.side.id) return false;
        return (test.startsWith("skin@") && this.group.test === "skin" && part === this.part.code) || (test.split("#")[0] === "ulcer" && this.part.code === "active-ulcer");
    }

    #change(answer, words) {
        this.board.host.change(new Map([[this.place, answer]]), words);
    }

    #build() {
        const { record } = this.board.host;
        this.asked = Boolean(this.group.asked && record.asked);
        if (this.asked) this.#buildQuestions(record);
        else if (this.group.answers) this.#buildChoices();
        if (this.group.quantity) this.#buildNumber();
        if (!this.group.answers) this.body.append(this.#reasonButton());
        this.reasons = make("select", { "aria-label": `Why there is no result: ${this.part.label}`, onchange: () => this.#change({ reason: this.reasons.value }) },
            REASONS.map(({ id, label }) => make("option", { value: id }, label)));
        if (this.group.zones) this.#buildZones();
        if (this.part.code === "active-ulcer") this.#buildUlcer();
    }

    #buildChoices() {
        const choice = (value, label, look, key) => {
            const input = make("input", {
                type: "radio", name: this.place, value, "aria-describedby": this.issue.id,
                onchange: () => (value === "no-result" ? this.giveReason("not-done", false) : this.#change({ code: value })),
                // A choice that is tapped again is taken back.
                onclick: () => {
                    if (input.dataset.was === "on") this.clear();
                },
            });
            this.inputs.set(value, input);
            const remember = () => (input.dataset.was = input.checked ? "on" : "");
            return make("label", { class: "choice", dataset: { look }, onpointerdown: remember },
                input, make("span", { class: "look", "aria-hidden": "true" }, SIGNS[look]), make("span", { class: "word" }, label), make("kbd", { "aria-hidden": "true" }, key.toUpperCase()));
        };
        const { answers } = this.group;
        this.body.append(make("div", { class: "choices", dataset: { count: answers.length + 1 } },
            answers.map(({ code, label, look, key }, index) => choice(code, label, look, key ?? String(index + 1))),
            choice("no-result", "No result", "none", "X")));
        // Short on the button, in full for those who listen.
        this.inputs.get("no-result").setAttribute("aria-label", "No result, with a reason");
    }

    #buildQuestions(record) {
        const sham = shamOf(record, this.place);
        this.questions = Array.from({ length: QUESTIONS }, (_, index) => {
            const words = index === sham ? "Pretend" : "Touch";
            const button = (right, label) => make("button", { type: "button", class: "right-wrong", "aria-pressed": "false", onclick: () => this.#question(index, right) },
                make("span", { "aria-hidden": "true" }, right ? "\u2713" : "\u2715"), make("span", { class: "unseen" }, `${words} ${index + 1}: ${label}`));
            return { right: button(true, "right"), wrong: button(false, "wrong"), words };
        });
        this.score = make("p", { class: "score" });
        this.body.append(make("div", { class: "questions" }, this.questions.map(({ right, wrong, words }) =>
            make("div", { class: "question" }, make("span", { class: "question-kind", "aria-hidden": "true" }, words), right, wrong))),
            make("div", { class: "scoring" }, this.score, this.#reasonButton()));
    }

    #question(index, right) {
        const ratio = this.answer?.ratio ? [...this.answer.ratio] : [];
        if (index > ratio.length) return;
        ratio[index] = right;
        this.#change({ ratio });
    }

    #buildNumber() {
        this.number = make("input", {
            type: "text", inputmode: "decimal", autocomplete: "off", class: "number", "aria-label": `${this.group.parts ? this.part.label : this.group.title} in ${this.group.quantity.shown}`,
            "aria-describedby": this.issue.id,
            oninput: () => this.#typed(),
        });
        const parts = [this.number, make("span", { class: "unit" }, this.group.quantity.shown)];
        if (this.group.timer) {
            this.timer = new Timer(this.group.timer, seconds => this.#change({ number: seconds.toFixed(1) }, `${seconds.toFixed(1)} seconds`));
            parts.push(this.timer.element);
        }
        this.body.append(make("div", { class: "measure" }, parts));
    }

    #typed() {
        const text = this.number.value;
        // Emptied: an answer by code, if there was one before, does not come back by itself.
        this.#change(text.trim() ? { number: text } : null);
    }

    #reasonButton() {
        this.blocked = make("button", { type: "button", class: "quiet blocked", "aria-pressed": "false", onclick: () => (this.answer?.reason ? this.clear() : this.giveReason("not-done", true)) }, "No result");
        return this.blocked;
    }

    #buildZones() {
        this.zones = ZONES.map(zone => {
            const place = placeOf(`skin@${zone.code}`, this.column.side.id, this.part.code);
            const input = make("input", { type: "checkbox", onchange: () => this.board.host.change(new Map([[place, input.checked ? { code: "present" } : null]])) });
            return { place, input, element: make("label", { class: "zone" }, input, make("span", {}, zone.label)) };
        });
        this.zoneList = make("div", { class: "zones", role: "group", "aria-label": `Where: ${this.part.label}` }, this.zones.map(({ element }) => element));
    }

    #buildUlcer() {
        this.openUlcers = 1;
        this.ulcers = Array.from({ length: MOST_ULCERS }, (_, index) => this.#ulcer(index + 1));
        this.moreUlcers = make("button", { type: "button", class: "quiet", onclick: () => this.#describeAnother() }, "Describe another ulcer of this foot");
        this.ulcerList = make("div", { class: "ulcers" }, this.ulcers.map(({ element }) => element), this.moreUlcers);
    }

    #ulcer(number) {
        const side = this.column.side.id;
        const test = ulcerTest(number);
        const field = (code, label, options) => {
            const place = placeOf(test, side, code);
            const select = make("select", { onchange: () => this.board.host.change(new Map([[place, select.value ? { code: select.value } : null]])) },
                make("option", { value: "" }, "Not recorded"), options.map(option => make("option", { value: option.code }, option.label)));
            return { place, control: select, element: make("label", { class: "field" }, label, select) };
        };
        const measure = part => {
            const place = placeOf(test, side, part.code);
            const input = make("input", { type: "text", inputmode: "decimal", autocomplete: "off", class: "number", oninput: () => this.board.host.change(new Map([[place, input.value.trim() ? { number: input.value } : null]])) });
            return { place, control: input, element: make("label", { class: "field" }, `${part.label} (${part.quantity.shown})`, input) };
        };
        const fields = [
            field("zone", "Where it is", ZONES), field(ULCER.depth.code, ULCER.depth.label, ULCER.depth.answers),
            field(ULCER.infection.code, ULCER.infection.label, ULCER.infection.answers), measure(ULCER.area), measure(ULCER.duration),
        ];
        const element = make("div", { class: "ulcer", role: "group", "aria-label": `Ulcer ${number}. Say where it is, so that the rest can be recorded` },
            make("p", { class: "ulcer-number" }, `Ulcer ${number}`), fields.map(each => each.element));
        return { number, zone: fields[0], fields, element };
    }

    #describeAnother() {
        this.openUlcers = Math.min(this.openUlcers + 1, MOST_ULCERS);
        this.refresh();
        this.ulcers[this.openUlcers - 1].zone.control.focus();
    }

    // At each zone of a foot one ulcer can be described: a zone that has one is no choice for the others.
    #refreshUlcers(answers) {
        const described = this.ulcers.filter(({ fields }) => fields.some(({ place }) => answers.get(place))).map(({ number }) => number);
        this.openUlcers = Math.max(this.openUlcers, ...described);
        const taken = this.ulcers.map(({ zone }) => answers.get(zone.place)?.code);
        this.ulcers.forEach(({ number, zone, fields, element }, index) => {
            element.hidden = number > this.openUlcers;
            for (const { place, control } of fields) if (control !== document.activeElement) control.value = answers.get(place)?.code ?? answers.get(place)?.number ?? "";
            for (const option of zone.control.options) option.disabled = option.value !== "" && taken.some((code, other) => other !== index && code === option.value);
        });
        this.ulcers[0].element.querySelector(".ulcer-number").hidden = this.openUlcers === 1;
        this.moreUlcers.hidden = this.openUlcers === MOST_ULCERS;
    }

    /** Answers by a key; gives whether the key means something here. */
    giveByKey(key) {
        if (this.asked) {
            if (key !== "1" && key !== "2") return false;
            const ratio = this.answer?.ratio ?? [];
            this.#question(ratio.length % QUESTIONS === 0 ? 0 : ratio.length, key === "1");
            return true;
        }
        const { answers } = this.group;
        const found = answers?.find((each, index) => (each.key ?? String(index + 1)) === key);
        if (found) this.#change({ code: found.code });
        return Boolean(found);
    }

    giveReason(reason, thenAsk) {
        this.#change({ reason }, "No result; choose the reason");
        if (thenAsk) this.reasons.focus();
    }

    clear() {
        if (this.answer) this.#change(null, "Cleared");
    }

    focus() {
        if (this.asked) {
            const next = this.questions[Math.min(this.answer?.ratio?.length ?? 0, QUESTIONS - 1)];
            return next.right.focus();
        }
        const checked = [...this.inputs.values()].find(({ checked }) => checked);
        (checked ?? this.inputs.values().next().value ?? this.number).focus();
    }

    refresh() {
        const { answers } = this.board.host;
        const answer = this.answer;
        this.element.hidden = !isAsked(this.group, this.column.side.id, this.part, answers);
        this.element.dataset.look = lookOf(answer, this.group);
        for (const [value, input] of this.inputs) input.checked = answer?.code === value || (value === "no-result" && Boolean(answer?.reason));
        if (this.number && this.number !== document.activeElement) this.number.value = answer?.number ?? "";
        if (this.blocked) this.blocked.setAttribute("aria-pressed", String(Boolean(answer?.reason)));
        if (this.asked) this.#refreshQuestions(answer);
        const extras = [];
        if (answer?.reason) {
            this.reasons.value = answer.reason;
            extras.push(make("label", { class: "why" }, "Why? ", this.reasons));
        }
        if (this.zones && answer?.code === "present") {
            for (const { place, input } of this.zones) input.checked = Boolean(answers.get(place));
            extras.push(this.zoneList);
        }
        if (this.ulcers && answer?.code === "present") {
            this.#refreshUlcers(answers);
            extras.push(this.ulcerList);
        }
        const held = this.extra.contains(document.activeElement) ? document.activeElement : null;
        // Moving what has the focus would take the focus away.
        if (!held || extras.length === 0) replace(this.extra, extras);
        this.extra.hidden = extras.length === 0;
    }

    #refreshQuestions(answer) {
        const ratio = answer?.ratio ?? [];
        this.questions.forEach(({ right, wrong }, index) => {
            right.setAttribute("aria-pressed", String(ratio[index] === true));
            wrong.setAttribute("aria-pressed", String(ratio[index] === false));
            right.disabled = wrong.disabled = index > ratio.length;
        });
        const good = ratio.filter(Boolean).length;
        const whole = ratio.length === QUESTIONS;
        const settled = good >= 2 ? "felt" : ratio.length - good >= 2 ? "not felt" : "";
        this.score.textContent = answer?.code ? `Recorded as a result: ${answer.code === "felt" ? "felt" : "not felt"}`
            : ratio.length === 0 ? "" : `${good} of ${ratio.length} right${settled ? `: ${settled}` : ""}${whole ? "" : `, ${QUESTIONS - ratio.length} to ask`}`;
    }

    showIssues(issues) {
        this.issue.hidden = issues.length === 0;
        replace(this.issue, issues.map(issue => make("span", { class: "issue-line" }, make("strong", {}, issue.text), " ", issue.mend)));
        for (const control of [...this.inputs.values(), this.number].filter(Boolean)) {
            if (issues.length > 0) control.setAttribute("aria-invalid", "true");
            else control.removeAttribute("aria-invalid");
        }
        this.element.dataset.issue = String(issues.length > 0);
    }
}

/** A stop watch. The refill one runs from letting go to colour; the fork one from the person's stop to the examiner's. */
class Timer {
    constructor(kind, done) {
        this.done = done;
        this.words = kind === "fork" ? ["Person stopped feeling", "I stopped feeling"] : ["Start", "Stop"];
        this.began = null;
        this.shown = make("span", { class: "timer-time", "aria-hidden": "true" });
        this.label = make("span", {}, this.words[0]);
        this.element = make("button", { type: "button", class: "timer", onclick: () => this.press() },
            draw("svg", { viewBox: "0 0 16 16", class: "clock", "aria-hidden": "true" }, draw("circle", { cx: 8, cy: 9, r: 6 }), draw("path", { d: "M8 5.500V9l2.500 1.500M6 1.500h4" })),
            this.label, this.shown, make("kbd", { "aria-hidden": "true" }, "T"));
    }

    press() {
        if (this.began === null) {
            this.began = performance.now();
            this.ticking = setInterval(() => (this.shown.textContent = `${this.#seconds().toFixed(1)} s`), 100);
            announce("Timer runs");
        } else {
            const seconds = this.#seconds();
            clearInterval(this.ticking);
            this.began = null;
            this.shown.textContent = "";
            this.done(seconds);
        }
        this.label.textContent = this.words[this.began === null ? 0 : 1];
        this.element.dataset.runs = String(this.began !== null);
    }

    #seconds() {
        return (performance.now() - this.began) / 1000;
    }
}
