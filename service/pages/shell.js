// What every page has: navigation, who is signed in, the lock, what is not sent yet, the caution.

import { announce, byId, make, replace } from "./dom.js";
import { ask, SignInNeeded, Unreachable } from "./service.js";
import * as work from "./work.js";

/** What every page carries. */
export const CAUTION =
    "Decision support for trained clinicians; not a diagnosis. Follow local pathways. An active foot problem needs " +
    "same-day clinical judgement whatever the software says.";
const PAGES = [
    { address: "/", name: "Examine", right: "submit" },
    { address: "/worklists", name: "Worklists", right: "read" },
    { address: "/inspect", name: "Inspect", right: "read" },
];
/** Who was signed in when the service was last reached; no more than the name of the token. */
const SIGNED_IN = "solewire-signed-in";
/** When a page was last used, in whatever tab: a tab that rests does not lock the one in use. */
const LAST_USE = "solewire-last-use";
const USE_STEP = 1_000;

let session = null;
let opened = null;

/** How the pages are set up and what the signed-in token allows. */
export function setup() {
    return session;
}

/** Whether the signed-in token has a right. */
export function may(right) {
    return session?.rights?.includes(right) ?? false;
}

/** Builds the frame of a page and calls `show` once somebody is signed in who has the right to use it. */
export async function start(right, show) {
    opened = () => (may(right) ? show() : replace(byId("main"), make("div", { class: "empty" }, make("h1", {}, "Not with this token"),
        make("p", {}, `This page needs the right to ${right}. Sign in with another token, or ask those who run the service.`))));
    frame();
    keepOffline();
    work.news.addEventListener("change", showUnsent);
    addEventListener("online", showUnsent);
    addEventListener("offline", showUnsent);
    for (const type of ["pointerdown", "keydown"]) addEventListener(type, noteUse, { passive: true, capture: true });
    await enter();
}

async function enter() {
    try {
        const answer = await ask("/pages/session");
        session = answer.body;
        remember();
    } catch (error) {
        if (!(error instanceof Unreachable)) throw error;
        session = remembered();
    }
    if (!session?.rights) return lock(session ? "" : "The service cannot be reached, so nobody can sign in now.");
    await unlock();
}

function remember() {
    if (session.rights) localStorage.setItem(SIGNED_IN, JSON.stringify(session));
    else localStorage.removeItem(SIGNED_IN);
}

function remembered() {
    try {
        return JSON.parse(localStorage.getItem(SIGNED_IN));
    } catch {
        return null;
    }
}

async function unlock() {
    byId("lock").hidden = true;
    byId("main").hidden = false;
    byId("bar").hidden = false;
    await work.open(session);
    if (session.signIn) watchIdle();
    byId("leave").hidden = !session.signIn;
    showNavigation();
    showUnsent();
    const first = opened;
    opened = null;
    await first?.();
}

function frame() {
    document.body.prepend(
        make("a", { class: "skip", href: "#main" }, "Skip to the content"),
        make("header", { class: "bar", id: "bar", hidden: true },
            make("a", { class: "mark", href: "/" }, make("img", { src: "/assets/mark.svg", alt: "", width: 30, height: 30 }), "Solewire"),
            make("nav", { id: "pages", "aria-label": "Pages" }),
            make("div", { class: "bar-end" },
                make("p", { id: "unsent", class: "unsent", role: "status" }),
                make("button", { id: "leave", class: "quiet", type: "button", hidden: true, onclick: leave }, "Lock"))),
        make("main", { id: "lock", class: "lock", hidden: true, "aria-labelledby": "lock-title" }),
    );
    document.body.append(
        make("footer", { class: "caution" }, make("strong", {}, "Caution. "), CAUTION),
        make("p", { id: "announcer", class: "unseen", role: "status", "aria-live": "polite" }),
    );
}

function showNavigation() {
    const here = location.pathname;
    const links = PAGES.filter(page => may(page.right)).map(page =>
        make("a", { href: page.address, "aria-current": page.address === here ? "page" : null }, page.name));
    replace(byId("pages"), links);
}

async function showUnsent() {
    const place = byId("unsent");
    if (!session?.rights) return;
    const { waiting, refused, drafts, fault } = await work.summary();
    const exams = count => (count === 1 ? "1 exam" : `${count} exams`);
    let state = "sent";
    let text = "Everything is sent";
    if (refused > 0) [state, text] = ["refused", `${exams(refused)} refused: needs a look`];
    else if (waiting > 0) [state, text] = ["waiting", `${exams(waiting)} waiting to be sent${fault ? `. ${fault}` : ""}`];
    else if (!navigator.onLine) [state, text] = ["waiting", "No connection"];
    else if (drafts > 0) [state, text] = ["draft", `${exams(drafts)} begun, ${work.isKept() ? "kept on this device" : "kept in this tab only"}`];
    place.dataset.state = state;
    if (place.textContent !== text) place.textContent = text;
}

/** Hides the page and asks for the token. */
export function lock(problem = "") {
    byId("main").hidden = true;
    byId("bar").hidden = true;
    const token = make("input", { id: "token", type: "password", autocomplete: "off", required: true, "aria-describedby": "token-help token-problem" });
    const fault = make("p", { id: "token-problem", class: "problem", role: "alert" }, problem);
    const form = make("form", { onsubmit: event => signIn(event, token, fault) },
        make("img", { src: "/assets/mark.svg", alt: "", width: 56, height: 56 }),
        make("h1", { id: "lock-title" }, "Sign in to Solewire"),
        make("label", { for: "token" }, "Access token"),
        token,
        make("p", { id: "token-help", class: "help" }, "The token that was given to you or to this workstation. It is used once to sign in and is not kept."),
        fault,
        make("button", { class: "main-action", type: "submit" }, "Sign in"));
    replace(byId("lock"), form);
    byId("lock").hidden = false;
    token.focus();
}

async function signIn(event, token, fault) {
    event.preventDefault();
    try {
        const answer = await ask("/pages/session", { method: "POST", body: JSON.stringify({ token: token.value }) });
        if (answer.status !== 200) throw new SignInNeeded();
        const before = session?.caller ?? remembered()?.caller;
        session = answer.body;
        noteUse();
        remember();
        // Somebody else begins with a page of their own.
        if (before && before !== session.caller && opened === null) return location.reload();
        await unlock();
    } catch (error) {
        if (error instanceof SignInNeeded) fault.textContent = "This token is not known. Look at it again, letter by letter.";
        else if (error instanceof Unreachable) fault.textContent = "The service cannot be reached. Try again in a moment.";
        else throw error;
        token.select();
    }
}

async function leave() {
    localStorage.removeItem(SIGNED_IN);
    await ask("/pages/session/end", { method: "POST" }).catch(() => undefined);
    lock();
}

const lastUse = () => Number(localStorage.getItem(LAST_USE));

function noteUse() {
    if (Math.abs(Date.now() - lastUse()) > USE_STEP) localStorage.setItem(LAST_USE, String(Date.now()));
}

let watching = 0;
function watchIdle() {
    clearInterval(watching);
    noteUse();
    watching = setInterval(() => {
        if (Date.now() - lastUse() < session.idleMinutes * 60_000) return;
        clearInterval(watching);
        leave();
        announce("Locked, because nothing was done for a while.");
    }, 5_000);
}

/** Runs something that asks the service; a session that has ended leads to the lock and leaves the page as it is. */
export async function guarded(doing) {
    try {
        return await doing();
    } catch (error) {
        if (!(error instanceof SignInNeeded)) throw error;
        localStorage.removeItem(SIGNED_IN);
        lock("Signed out after a while without use. Nothing on the page is lost.");
        return null;
    }
}

/** Says that the service cannot be reached, in the place of what it would have said. */
export function unreachable(retry) {
    return make("div", { class: "empty", role: "alert" },
        make("p", {}, "The service cannot be reached."),
        make("button", { type: "button", onclick: retry }, "Try again"));
}

// The pages stay usable after a reload without a connection.
function keepOffline() {
    if (!("serviceWorker" in navigator)) return;
    const trusted = globalThis.trustedTypes?.createPolicy("solewire", { createScriptURL: address => address });
    const address = "/offline.js";
    navigator.serviceWorker.register(trusted ? trusted.createScriptURL(address) : address).catch(() => undefined);
}
