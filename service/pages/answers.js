// The answers of one exam, and taking them back. An answer is one of
//   { code }              a coded result
//   { ratio: [r, asked] } right answers of questions asked; counts when three were asked
//   { number }            a measured number, as it was typed
//   { reason }            no result, and why
// Its place is `test|side|part`: `pulse|left|dorsalis-pedis`, `history||smoker`, `capillary-refill|left|`.

/** The place of an answer. */
export const placeOf = (test, side, part) => `${test}|${side}|${part}`;

/** Questions asked at a site, one of them a sham, before it has a result. */
export const QUESTIONS = 3;

export class Answers {
    constructor(record) {
        this.given = new Map(Object.entries(record.answers ?? {}));
        this.past = [];
    }

    get(place) {
        return this.given.get(place) ?? null;
    }

    /** Whether a place has what can be sent. */
    isDone(place) {
        return isWhole(this.get(place));
    }

    /** Gives several places their answers as one step that one undo takes back; `null` clears. */
    set(changes) {
        const before = [...changes.keys()].map(place => [place, this.get(place)]);
        this.past.push(before);
        this.#write(changes);
    }

    /** Takes the last step back; gives the places concerned. */
    undo() {
        const before = this.past.pop();
        if (!before) return [];
        this.#write(new Map(before));
        return before.map(([place]) => place);
    }

    #write(changes) {
        for (const [place, answer] of changes) {
            if (answer === null) this.given.delete(place);
            else this.given.set(place, answer);
        }
    }

    /** As it is kept. */
    plain() {
        return Object.fromEntries(this.given);
    }
}

/** Whether an answer is complete. */
export function isWhole(answer) {
    if (!answer) return false;
    if (answer.ratio) return answer.ratio.length === QUESTIONS;
    if (answer.number !== undefined) return answer.number.trim() !== "";
    return true;
}
