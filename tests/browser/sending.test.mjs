// What happens to an exam between the page and the store.

import assert from "node:assert/strict";
import { after, before, beforeEach, afterEach, test } from "node:test";

import { begin, launch, noFaults, open, resultShown, settled } from "./browser.mjs";
import { Service } from "./service.mjs";

let browser;
let service;

before(async () => (browser = await launch()));
after(async () => browser?.close());
beforeEach(async () => (service = await Service.start()));
afterEach(async () => service.stop());

async function answerSome(page) {
    await page.keyboard.press("a");
    await page.keyboard.press("a");
    await settled(page);
}

const review = page => page.click("#rail button:has-text('Review')");

test("an exam outlives a lost connection and a reload, and is sent once when the service is back", async () => {
    const page = await open(browser, service);
    await begin(page, service);
    // The pages are kept for a reload without a connection.
    await page.evaluate(() => navigator.serviceWorker.ready);
    await page.reload();
    await page.waitForSelector(".board");
    await answerSome(page);
    await service.kill();

    await page.keyboard.press("a");
    await page.waitForFunction(() => document.getElementById("live").dataset.state === "away");
    assert.match(await page.textContent("#live-state"), /No connection/);
    await page.reload();
    await page.waitForSelector(".board");
    await page.click("#rail button:has-text('Urgent')");
    assert.equal(await page.locator('.row:has(input:checked)').count(), 16, "answers from before the reload");
    await page.click("#rail button:has-text('Skin')");
    assert.equal(await page.locator('.row:has(input:checked)').count(), 12, "answers from without a connection");

    await review(page);
    await page.click("#send");
    await page.waitForSelector(".waiting-card");
    await page.waitForFunction(() => document.getElementById("unsent").dataset.state === "waiting");
    await page.reload();
    await page.waitForSelector(".waiting-card");
    assert.match(await page.textContent("#unsent"), /1 exam waiting to be sent/);

    await service.run();
    const id = await resultShown(page);
    assert.equal(await service.exams(), 1);
    assert.equal((await service.exam(id)).version, 1);
    await page.waitForFunction(() => document.getElementById("unsent").dataset.state === "sent");
    noFaults(page);
});

test("an exam whose answer got lost is not stored a second time", async () => {
    const page = await open(browser, service);
    const keys = [];
    let losses = 0;
    await begin(page, service);
    await answerSome(page);
    await page.route("**/fhir", async route => {
        keys.push(route.request().headers()["idempotency-key"]);
        const answer = await route.fetch();
        losses += 1;
        if (losses === 1) return route.abort("connectionfailed");
        return route.fulfill({ response: answer });
    });
    await review(page);
    await page.click("#send");
    const id = await resultShown(page);
    assert.equal(keys.length, 2);
    assert.equal(keys[0], keys[1]);
    assert.ok(keys[0].length >= 16);
    assert.equal(await service.exams(), 1);
    assert.equal((await service.exam(id)).version, 1);
    noFaults(page);
});

test("what the service refuses is told at its field, while answering and after sending", async () => {
    const page = await open(browser, service);
    await begin(page, service);
    await page.click("#rail button:has-text('Strength')");
    const row = '[data-place="skin-temperature|right|mth-1"]';
    await page.fill(`${row} .number`, "98");
    await page.waitForSelector(`${row} .row-issue:visible`);
    assert.match(await page.textContent(`${row} .row-issue`), /\S/);
    assert.equal(await page.getAttribute(`${row} .number`, "aria-invalid"), "true");
    assert.equal(await page.locator(".row-issue:visible").count(), 1, "only the field concerned");
    assert.match(await page.textContent("#live-body"), /exam-range/);

    await review(page);
    await page.waitForFunction(() => document.getElementById("readiness").dataset.state === "refused");
    await page.click("#send");
    await page.waitForSelector(`${row} .row-issue:visible`);
    assert.equal(await page.evaluate(() => document.activeElement.closest(".row")?.dataset.place), "skin-temperature|right|mth-1");
    assert.equal(await service.exams(), 0);

    await page.fill(`${row} .number`, "30.10");
    await settled(page);
    assert.equal(await page.locator(".row-issue:visible").count(), 0);
    await review(page);
    await page.click("#send");
    const exam = await service.get(`/pages/exams/${await resultShown(page)}`);
    const temperature = exam.resources.find(({ body }) => body.code?.coding[0].code === "skin-temperature").body;
    assert.equal(temperature.component.length, 1);
    assert.equal(temperature.component[0].valueQuantity.value, 30.1);
    noFaults(page);
});

test("a number that cannot be read is never left out in silence", async () => {
    const page = await open(browser, service);
    await begin(page, service);
    await page.click("#rail button:has-text('Blood')");
    const row = '[data-place="capillary-refill|left|"]';
    await page.fill(`${row} .number`, "2,5,1");
    await page.waitForSelector(`${row} .row-issue:visible`);
    await review(page);
    await page.waitForFunction(() => document.getElementById("readiness").dataset.state === "refused");
    await page.click("#send");
    assert.equal(await page.locator(".waiting-card").count(), 0);
    assert.equal(await service.exams(), 0);
    noFaults(page);
});

test("what is kept in the browser cannot be read there, and nothing is kept when the setting says so", async () => {
    const written = page => page.evaluate(() => new Promise(resolve => {
        const opening = indexedDB.open("solewire");
        opening.onsuccess = () => {
            if (![...opening.result.objectStoreNames].includes("work")) return resolve(null);
            const reading = opening.result.transaction("work").objectStore("work").getAll();
            reading.onsuccess = async () => {
                const key = await new Promise(done => {
                    const asked = opening.result.transaction("keys").objectStore("keys").get("work");
                    asked.onsuccess = () => done(asked.result);
                });
                const exported = await crypto.subtle.exportKey("raw", key).then(() => true, () => false);
                const texts = reading.result.map(({ data }) => new TextDecoder("latin1").decode(data));
                opening.result.close();
                return resolve({ texts, exported });
            };
        };
    }));
    const page = await open(browser, service);
    await begin(page, service);
    await answerSome(page);
    const { texts, exported } = await written(page);
    assert.equal(texts.length, 1);
    assert.ok(!texts[0].includes("HL-PERSON"), "the identifier is encrypted");
    assert.ok(!exported, "the key cannot be taken out");
    const plain = await page.evaluate(() => JSON.stringify({ ...localStorage }) + JSON.stringify({ ...sessionStorage }));
    assert.ok(!plain.includes("HL-PERSON"));

    const strict = await Service.start({ more: '[pages]\nunsent = "forget"\n' });
    const forgetful = await open(browser, strict);
    await begin(forgetful, strict);
    await answerSome(forgetful);
    assert.equal(await written(forgetful), null);
    assert.match(await forgetful.textContent("#unsent"), /kept in this tab only/);
    let asked = 0;
    forgetful.on("dialog", dialog => {
        asked += 1;
        return dialog.accept();
    });
    await review(forgetful);
    await forgetful.click("#send");
    await resultShown(forgetful);
    assert.equal(asked, 0, "what was sent can be left without a question");
    assert.equal(await strict.exams(), 1);
    await strict.stop();
    noFaults(page);
});
