// Recalls, referrals, unsettled exams and deliveries: the most dangerous first, in pages, and as a file.

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { join } from "node:path";
import { after, before, test } from "node:test";

import { launch, noFaults, open, violations } from "./browser.mjs";
import { ROOT, Service, until } from "./service.mjs";

const RECALLS = process.env.SOLEWIRE_FULL ? 5_000 : 120;
const TOGETHER = 4;

let browser;
let service;

const corpus = name => readFileSync(join(ROOT, "tests", "corpus", name, "input.json"), "utf8");

/** An exam of the corpus as that of another person at another time. */
function exam(name, number, started) {
    const text = corpus(name);
    const [person] = /HL-PERSON-\d+/.exec(text);
    const [panel] = /HL-EXAM-\d+-\d+/.exec(text);
    return text.replaceAll(person, `HL-PERSON-9${number}`).replaceAll(panel, `HL-EXAM-9-${number}-${started.slice(0, 10)}`)
        .replace(/"HL-VISIT-[\d-]+"/g, `"HL-VISIT-9-${number}-${started.slice(0, 10)}"`).replace(/("effectiveDateTime": ?")[^"]+/g, `$1${started}`);
}

// A busy disk makes the store say "not now"; a client sends the exam again.
function handIn(text) {
    return until(async () => {
        const answer = await service.post("/fhir", text);
        if (answer.status === 503) return false;
        assert.equal(answer.status, 200, await answer.text());
        return true;
    }, "an exam is taken");
}

const daysAgo = days => new Date(Date.now() - days * 86_400_000).toISOString().replace(/\.\d+Z/, "Z");

before(async () => {
    browser = await launch();
    service = await Service.start();
    const waiting = [];
    for (let number = 0; number < RECALLS; number += 1) {
        // High, moderate, low and very low in turn, from long overdue to not yet due.
        const name = ["category-3", "category-2", "category-1-pad", "complete-normal"][number % 4];
        waiting.push(exam(name, 1_000 + number, daysAgo(5 + ((number * 37) % 700))));
    }
    const work = Array.from({ length: TOGETHER }, async () => {
        while (waiting.length > 0) await handIn(waiting.pop());
    });
    await Promise.all(work);
});

after(async () => {
    await browser?.close();
    await service?.stop();
});

const rows = page => page.locator(".list tbody tr").evaluateAll(found => found.map(row => [...row.children].map(cell => cell.textContent)));

test("recalls are paged by the service, the overdue and dangerous first, each person once", async () => {
    const page = await open(browser, service);
    await page.goto(`${service.url}/worklists#recalls`);
    await page.waitForSelector(".list tbody tr");
    assert.equal(await page.textContent(".count"), `${RECALLS.toLocaleString("en-GB")} people`);
    const seen = [];
    for (;;) {
        seen.push(...(await rows(page)));
        const next = page.locator(".pager button:has-text('Next')");
        if (await next.isDisabled()) break;
        const before = await page.textContent(".pager p");
        await next.click();
        await page.waitForFunction(text => ![text, undefined].includes(document.querySelector(".pager p")?.textContent), before);
    }
    assert.equal(seen.length, RECALLS);
    assert.equal(new Set(seen.map(([person]) => person)).size, RECALLS);
    const danger = ["High", "Moderate", "Low", "Very low"];
    const order = seen.map(([, category, when]) => [["Overdue", "Due now", "Not yet due"].findIndex(word => when.includes(word)), danger.indexOf(category)]);
    const sorted = [...order].sort((a, b) => a[0] - b[0] || a[1] - b[1]);
    assert.deepEqual(order, sorted);
    assert.ok(order.some(([when]) => when === 0) && order.some(([when]) => when === 2));

    await page.selectOption("#when", "overdue");
    await page.waitForFunction(text => document.querySelector(".count").textContent !== text, `${RECALLS.toLocaleString("en-GB")} people`);
    await page.selectOption("#risk", { label: "High" });
    // The first page of a long list is all of them before the filter is on: the address of the file tells that it is.
    await page.waitForFunction(() => document.querySelector("a[download]").href.includes("risk=iwgdf-2023.3"));
    await page.waitForFunction(() => [...document.querySelectorAll(".list tbody tr td:nth-child(2)")].every(cell => cell.textContent === "High"));
    const filtered = await rows(page);
    const wanted = seen.filter(([, category, when]) => category === "High" && when.includes("Overdue"));
    assert.deepEqual(filtered.map(([person]) => person), wanted.slice(0, filtered.length).map(([person]) => person));

    const [download] = await Promise.all([page.waitForEvent("download"), page.click("text=Save as CSV")]);
    const lines = readFileSync(await download.path(), "utf8").trimEnd().split("\r\n");
    assert.equal(download.suggestedFilename(), "recalls.csv");
    assert.equal(lines.length, wanted.length + 1);
    assert.ok(lines.slice(1).every(line => line.includes('"iwgdf-2023.3"') && line.includes('"overdue"')));
    noFaults(page);
});

test("a later exam takes a person off the list; referrals, unsettled exams and formulas are what they are", async () => {
    const listed = async list => {
        const all = [];
        for (;;) {
            const { total, entries } = await service.get(`/pages/worklists/${list}?offset=${all.length}`);
            all.push(...entries);
            if (all.length >= total || entries.length === 0) return all;
        }
    };
    await handIn(exam("category-3", 1, daysAgo(400)));
    const overdue = (await listed("recalls")).find(({ person }) => person.value === "HL-PERSON-91");
    assert.equal(overdue.when, "overdue");
    await handIn(exam("complete-normal", 1, daysAgo(1)));
    assert.ok(!(await listed("recalls")).some(({ person, when }) => person.value === "HL-PERSON-91" && when === "overdue"));

    await handIn(exam("active-ulcer-urgent", 2, daysAgo(0.02)));
    await handIn(exam("active-ulcer", 3, daysAgo(0.01)));
    await handIn(exam("range-missing-monofilament", 4, daysAgo(2)));
    const referrals = await listed("referrals");
    assert.deepEqual(referrals.slice(0, 2).map(({ person, priority }) => [person.value, priority]), [["HL-PERSON-93", "stat"], ["HL-PERSON-92", "urgent"]]);
    const [unsettled] = await listed("incomplete");
    assert.equal(unsettled.person.value, "HL-PERSON-94");
    assert.match(unsettled.missing[0], /^Loss of protective sensation is not known\./);

    await handIn(exam("category-3", 5, daysAgo(10)).replaceAll("HL-PERSON-95", "=1+1"));
    const csv = await (await fetch(`${service.url}/pages/worklists/recalls.csv`)).text();
    assert.ok(csv.includes('"\'=1+1"') && !csv.includes('"=1+1"'));
    const page = await open(browser, service);
    await page.goto(`${service.url}/worklists#referrals`);
    await page.waitForSelector(".list tbody tr");
    assert.match((await rows(page))[0].join(" "), /At once/);
    noFaults(page);
});

test("engineers see one exam: resources, checks, assessment, deliveries, and send one again with a reason", async () => {
    // Nothing listens there: what is sent cannot be connected.
    const forwarding = await Service.start({ recordSystem: "http://127.0.0.1:9/fhir" });
    const answer = await forwarding.post("/fhir", corpus("category-2"));
    const id = /RiskAssessment\/([^>]+)>/.exec(answer.headers.get("link"))[1];
    const page = await open(browser, forwarding);
    await page.goto(`${forwarding.url}/worklists#deliveries`);
    await page.waitForSelector("#state");
    await page.selectOption("#state", "");
    await page.click("a:has-text('Number 1')");
    await page.waitForSelector(".issues");
    const text = await page.textContent(".inspect");
    for (const part of [/29 resources/, /No issues found/, /moderate, final/, /Number 1: /]) assert.match(text, part);
    await page.click("details.resource > summary >> nth=0");
    await page.waitForFunction(() => document.querySelector("details.resource pre").textContent.includes('"resourceType": "Observation"'));
    await page.click("button:has-text('Give up')");
    await page.waitForFunction(() => document.querySelector("article .problem").textContent.includes("reason"));
    await page.fill("article input", "The clinic has sent it on paper");
    await page.click("button:has-text('Give up')");
    await page.waitForSelector("h3:has-text('discarded')");
    const tried = () => page.locator("article table tbody tr").evaluateAll(found => found.map(row => [...row.children].map(cell => cell.textContent)));
    const before = await tried();
    assert.ok(before.length > 0);
    for (const [ended, result, why, answer, took] of before) {
        assert.match(ended, /^\d+ \w+ \d{4}, \d\d:\d\d:\d\d$/);
        assert.deepEqual([result, why, answer], ["!Record system at fault", "connection-refused", "none"]);
        assert.match(took, /^\d+ ms$|^\d+\.\d s$/);
    }
    await page.fill("article input", "Paper was lost");
    await page.click("button:has-text('Send again')");
    await page.waitForSelector("h3:has-text('Number 1'):not(:has-text('discarded'))");
    assert.equal(new URL(page.url()).hash, "#delivery-1");
    assert.ok(id);
    // It is tried once more, and the attempts before are still there.
    await until(async () => (await (await fetch(`${forwarding.url}/pages/deliveries/1`)).json()).history.length > before.length, "another attempt");
    await page.reload();
    await page.waitForSelector("article table tbody tr");
    assert.deepEqual((await tried()).slice(-before.length), before);
    assert.deepEqual(await violations(page), []);
    noFaults(page);
    await forwarding.stop();
});

test("who may not operate sees an exam without its deliveries and can send nothing again", async () => {
    const reading = await Service.start({ tokens: { "reads-only": "read submit" }, recordSystem: "http://127.0.0.1:9/fhir" });
    const authorized = { Authorization: "Bearer reads-only", "Content-Type": "application/fhir+json" };
    const answer = await fetch(`${reading.url}/fhir`, { method: "POST", headers: authorized, body: corpus("category-2") });
    const id = /RiskAssessment\/([^>]+)>/.exec(answer.headers.get("link"))[1];
    const page = await open(browser, reading);
    await page.goto(`${reading.url}/inspect#${id}`);
    await page.fill("#token", "reads-only");
    await page.keyboard.press("Enter");
    await page.waitForSelector(".issues");
    assert.equal(await page.locator("h2:has-text('Deliveries'), button:has-text('Send again')").count(), 0);
    const asked = await page.evaluate(() => fetch("/pages/deliveries/1/replay", { method: "POST", headers: { "X-Solewire-Page": "1" } }).then(({ status }) => status));
    assert.equal(asked, 403);
    await reading.stop();
    noFaults(page);
});
