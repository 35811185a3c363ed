// Exams that are not with the service yet. They stay in the browser, encrypted with a key that scripts can use and
// not read, and each one is sent under its own key, so that a repeated sending is taken once.

import { ask, issuesOf, SignInNeeded, Unreachable } from "./service.js";

const DATABASE = "solewire";
const FIRST_WAIT = 2_000;
const LONGEST_WAIT = 60_000;

/** Tells of every change: events `change` and, with the id of the exam, `sent` and `refused`. */
export const news = new EventTarget();

let caller = "";
let keeps = false;
let storage = null;
let key = null;
const inMemory = new Map();
let wait = FIRST_WAIT;
let timer = 0;
let lastFault = "";

function request(made) {
    return new Promise((resolve, reject) => {
        made.onsuccess = () => resolve(made.result);
        made.onerror = () => reject(made.error);
    });
}

function openStorage() {
    const opening = indexedDB.open(DATABASE, 1);
    opening.onupgradeneeded = () => {
        opening.result.createObjectStore("keys");
        opening.result.createObjectStore("work");
    };
    return request(opening);
}

async function openKey() {
    const known = await request(storage.transaction("keys").objectStore("keys").get("work"));
    if (known) return known;
    const made = await crypto.subtle.generateKey({ name: "AES-GCM", length: 256 }, false, ["encrypt", "decrypt"]);
    // Two tabs may get here at once. The first key to be stored is the key of both.
    const keys = storage.transaction("keys", "readwrite").objectStore("keys");
    const first = await request(keys.get("work"));
    if (first) return first;
    await request(keys.put(made, "work"));
    return made;
}

/** Opens the work of a caller. With `unsent` "forget", or without a secure context, nothing is written down. */
export async function open(session) {
    caller = session.caller ?? "";
    keeps = session.unsent === "keep" && Boolean(globalThis.crypto?.subtle) && "indexedDB" in globalThis;
    if (keeps && !storage) {
        try {
            storage = await openStorage();
            key = await openKey();
        } catch {
            keeps = false;
        }
    }
    if (session.unsent === "forget" && "indexedDB" in globalThis) await forgetWritten();
    addEventListener("online", retryNow);
    schedule(0);
    tell("change");
}

async function forgetWritten() {
    storage?.close();
    storage = null;
    await request(indexedDB.deleteDatabase(DATABASE)).catch(() => undefined);
}

/** Whether unsent work outlives the page. */
export function isKept() {
    return keeps;
}

function tell(type, id) {
    news.dispatchEvent(new CustomEvent(type, { detail: id }));
}

/**
 * Keeps an exam: `{ id, state, ... }` with state `draft`, `waiting` or `refused`. Saves follow each other in order.
 */
export function save(record) {
    const copy = structuredClone({ ...record, caller, changed: Date.now() });
    saving = saving.then(() => write(copy)).then(() => tell("change"));
    return saving;
}
let saving = Promise.resolve();

async function write(record) {
    inMemory.set(record.id, record);
    if (!keeps) return;
    const iv = crypto.getRandomValues(new Uint8Array(12));
    const data = await crypto.subtle.encrypt({ name: "AES-GCM", iv }, key, new TextEncoder().encode(JSON.stringify(record)));
    await request(storage.transaction("work", "readwrite").objectStore("work").put({ iv, data }, record.id));
}

/** The exams of this caller, the newest first. */
export async function list() {
    await saving;
    const found = keeps ? await readAll() : [...inMemory.values()];
    return found.filter(record => record.caller === caller).sort((a, b) => b.changed - a.changed);
}

async function readAll() {
    const written = await request(storage.transaction("work").objectStore("work").getAll());
    const opened = written.map(async ({ iv, data }) => {
        try {
            const bytes = await crypto.subtle.decrypt({ name: "AES-GCM", iv }, key, data);
            return JSON.parse(new TextDecoder().decode(bytes));
        } catch {
            return null;
        }
    });
    return (await Promise.all(opened)).filter(Boolean);
}

/** One exam. */
export async function find(id) {
    return (await list()).find(record => record.id === id) ?? null;
}

/** Forgets an exam. */
export function remove(id) {
    saving = saving.then(async () => {
        inMemory.delete(id);
        if (keeps) await request(storage.transaction("work", "readwrite").objectStore("work").delete(id));
        tell("change");
    });
    return saving;
}

/** What waits, what was refused, what is unfinished, and why sending rests. */
export async function summary() {
    const all = await list();
    const count = state => all.filter(record => record.state === state).length;
    return { waiting: count("waiting"), refused: count("refused"), drafts: count("draft"), fault: lastFault };
}

/** Puts a finished exam into the queue: from here on its text stays as it is until it was answered. */
export async function queue(record, text) {
    const waiting = { ...record, state: "waiting", text, sendingKey: crypto.randomUUID?.() ?? record.id, issues: [] };
    await save(waiting);
    retryNow();
}

/** Sends what waits, now. */
export function retryNow() {
    wait = FIRST_WAIT;
    schedule(0);
}

function schedule(delay) {
    clearTimeout(timer);
    timer = setTimeout(() => (navigator.locks ? navigator.locks.request("solewire-send", send) : send()), delay);
}

// One tab at a time sends; the lock is the browser's.
async function send() {
    for (const record of (await list()).filter(each => each.state === "waiting").reverse()) {
        try {
            const answer = await ask("/fhir", {
                method: "POST",
                body: record.text,
                headers: { "Idempotency-Key": record.sendingKey },
            });
            if (answer.status >= 200 && answer.status < 300) {
                await taken(record, answer);
            } else if (answer.status === 409 || answer.status === 429 || answer.status >= 500) {
                return rest("The service cannot take exams now.");
            } else {
                await save({ ...record, state: "refused", issues: issuesOf(answer.body) });
                tell("refused", record.id);
            }
        } catch (error) {
            if (error instanceof SignInNeeded) return rest("Sign in to send.");
            if (error instanceof Unreachable) return rest("The service cannot be reached.");
            throw error;
        }
    }
    lastFault = "";
    tell("change");
}

async function taken(record, answer) {
    const link = answer.headers.get("Link") ?? "";
    const assessment = /RiskAssessment\/([A-Za-z0-9.-]+)>/.exec(link)?.[1] ?? "";
    await remove(record.id);
    lastFault = "";
    news.dispatchEvent(new CustomEvent("sent", { detail: { id: record.id, assessment } }));
}

function rest(fault) {
    lastFault = fault;
    schedule(wait);
    wait = Math.min(wait * 2, LONGEST_WAIT);
    tell("change");
}
