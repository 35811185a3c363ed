// Chromium, driven; every page is watched for what must not happen: faults of scripts, refused content, requests to
// anybody else.

import { createRequire } from "node:module";
import { readFileSync } from "node:fs";
import { join } from "node:path";
import assert from "node:assert/strict";

import { ROOT } from "./service.mjs";

const require = createRequire(join(ROOT, "tests", ".tools", "browser", "package.json"));
const { chromium } = require("playwright-core");
const AXE = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");

export const PERSON = { system: "https://harbourlane.example/person", value: "HL-PERSON-0042" };
export const STAFF = { system: "https://harbourlane.example/staff", value: "HL-STAFF-02" };

export function launch() {
    // Chromium's own sandbox cannot be had as root or in most containers.
    return chromium.launch({ executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium", args: ["--no-sandbox"] });
}

/** A page of a fresh browser profile. `faults` fills with what must not happen. */
export async function open(browser, service, options = {}) {
    const context = await browser.newContext({ viewport: { width: 1440, height: 900 }, locale: "en-GB", timezoneId: "Europe/London", acceptDownloads: true, ...options });
    context.setDefaultTimeout(30_000);
    const page = await context.newPage();
    page.faults = [];
    page.on("pageerror", error => page.faults.push(`script: ${error.message}`));
    page.on("console", message => {
        const text = message.text();
        // A connection that the test itself cuts is told by the browser as an error.
        if (message.type() === "error" && !/ERR_CONNECTION|ERR_FAILED|Failed to load resource/.test(text)) page.faults.push(`console: ${text}`);
    });
    context.on("request", request => {
        const { origin, protocol } = new URL(request.url());
        if (protocol.startsWith("http") && origin !== service.url) page.faults.push(`asked ${origin}`);
        if (request.url().includes("HL-PERSON")) page.faults.push("an identifier of a person stands in an address");
    });
    return page;
}

/** What a workstation is told once: whose numbers it uses, and who examines. */
export async function setUpWorkstation(page, service) {
    await page.goto(`${service.url}/`);
    await page.evaluate(([person, staff]) => localStorage.setItem("solewire-workstation", JSON.stringify({ personSystem: person.system, staffSystem: staff.system, staff: staff.value })), [PERSON, STAFF]);
    await page.reload();
    await page.waitForSelector("#person:visible");
}

/** Begins an exam by keys. */
export async function begin(page, service, value = PERSON.value) {
    await setUpWorkstation(page, service);
    await page.keyboard.type(value);
    await page.keyboard.press("Enter");
    await page.waitForSelector(".board");
}

/** Waits until what follows is up to date with the answers. */
export async function settled(page) {
    await page.waitForFunction(() => ["fresh", "refused"].includes(document.getElementById("live").dataset.state));
}

/** The place of the row that has the focus. */
export function focused(page) {
    return page.evaluate(() => document.activeElement?.closest(".row")?.dataset.place ?? document.activeElement?.id ?? "");
}

/** The id of the assessment that the result page shows. */
export async function resultShown(page) {
    await page.waitForURL(/\/result#/, { timeout: 60_000 });
    await page.waitForSelector(".result");
    return new URL(page.url()).hash.slice(1);
}

/** What axe-core finds against the page as it is. */
export async function violations(page) {
    await page.evaluate(AXE);
    const found = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ["violations"] }));
    return found.violations.map(({ id, nodes }) => `${id}: ${nodes.map(({ target, failureSummary }) => `${target.join(" ")} (${failureSummary.split("\n")[1]?.trim()})`).slice(0, 3).join("; ")}`);
}

export function noFaults(page) {
    assert.deepEqual(page.faults, []);
}
