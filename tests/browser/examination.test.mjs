// A whole exam of two feet, by keys alone and by touch.

import assert from "node:assert/strict";
import { spawnSync } from "node:child_process";
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { after, before, test } from "node:test";

import { begin, focused, launch, noFaults, open, PERSON, resultShown, settled, setUpWorkstation } from "./browser.mjs";
import { assessFiles, recordSystem, Service, until } from "./service.mjs";

/** Most key presses that a complete normal exam may take, the identifier of the person included. */
const MOST_KEYS = 60;

let browser;
let records;
let service;

before(async () => {
    browser = await launch();
    records = await recordSystem();
    service = await Service.start({ recordSystem: records.url });
});

after(async () => {
    await browser?.close();
    await service?.stop();
    await records?.stop();
});

/** Catches the transaction that a page hands in. */
async function handedIn(page) {
    const sent = [];
    page.context().on("request", request => {
        if (request.method() === "POST" && new URL(request.url()).pathname === "/fhir") sent.push(request.postData());
    });
    return sent;
}

/** Resources as stored, without the store's own times. */
function comparable(exam) {
    return exam.resources.map(({ derived, body }) => {
        const { meta, recorded, ...rest } = body;
        return { derived, body: rest };
    });
}

test("a complete normal exam by keys alone, in few of them, is stored and delivered like the same exam from any client", async () => {
    const page = await open(browser, service);
    const sent = await handedIn(page);
    await setUpWorkstation(page, service);
    let keys = 0;
    const press = async (...names) => {
        for (const name of names) {
            await page.keyboard.press(name);
            keys += 1;
        }
    };
    assert.equal(await focused(page), "person");
    await press(...PERSON.value, "Enter");
    await page.waitForSelector(".board");
    const places = [];
    const at = async place => {
        places.push(place);
        assert.equal(await focused(page), place);
    };
    await at("active-problem|left|active-ulcer");
    await press("a", "a");
    await at("skin|left|callus");
    await press("a", "a", "a", "a");
    await at("deformity|left|claw-toe");
    await press("a", "a");
    await at("pulse|left|dorsalis-pedis");
    await press("1", "1", "1", "1");
    await at("capillary-refill|left|");
    await press("2", "Enter", "2", "Enter");
    await at("monofilament-10g|left|hallux-plantar");
    await press("1", "1", "1", "1", "1", "1");
    await at("vibration-128hz|left|hallux-dorsal");
    await press("1", "1", "1", "1", "1", "1", "1", "1", "1", "1");
    await at("strength|left|dorsiflexion");
    await press("5", "5", "5", "5", "n");
    await at("history||previous-ulcer");
    await press("a");
    await at("self-care||checks-feet-daily");
    await press("a", "1", "1");
    await at("send");
    await settled(page);
    await press("Enter");
    const id = await resultShown(page);
    console.log(`key presses of a complete normal exam: ${keys}`);
    assert.ok(keys <= MOST_KEYS, `${keys} key presses`);

    assert.match(await page.textContent(".live-words"), /^Very low$/);
    const exam = await service.exam(id);
    const assessment = exam.resources.find(({ body }) => body.id === id).body;
    assert.equal(assessment.status, "final");
    assert.deepEqual(assessment.subject.identifier, PERSON);
    const tests = exam.resources.filter(({ derived }) => !derived).map(({ body }) => body.code.coding[0].code).sort();
    const feet = ["active-problem", "skin", "nails", "deformity", "pulse", "capillary-refill", "monofilament-10g", "vibration-128hz", "toe-touch", "position-sense", "strength"];
    assert.deepEqual(tests, [...feet, ...feet, "foot-exam", "history", "self-care", "footwear", "education"].sort());

    // The same text from a program, to a service of its own.
    const [other, otherRecords] = [await recordSystem(), records];
    const twin = await Service.start({ recordSystem: other.url });
    assert.equal(sent.length, 1);
    assert.equal((await twin.post("/fhir", sent[0])).status, 200);
    assert.deepEqual(comparable(await twin.exam(id)), comparable(exam));
    const delivered = async ({ taken }) => taken.length === 1 && taken[0];
    const [here, there] = [await until(() => delivered(otherRecords), "the delivery"), await until(() => delivered(other), "the delivery of the twin")];
    const bundle = text => JSON.parse(text).entry.map(({ resource, ...rest }) => ({ ...rest, resource: comparable({ resources: [{ body: resource }] }) }));
    assert.deepEqual(bundle(here), bundle(there));
    await twin.stop();
    await other.stop();

    // And an exam of the same findings that was written by hand from the table of codes, before any page sent it: in
    // another order, with references of its own. It takes the identifier and the time of this one, so that ids agree.
    const panel = exam.resources.map(({ body }) => body).find(({ code }) => code.coding[0].code === "foot-exam");
    const written = JSON.parse(readFileSync(new URL("complete-normal-exam.json", import.meta.url), "utf8"));
    for (const { resource } of written.entry) {
        resource.effectiveDateTime = panel.effectiveDateTime;
        if (resource.identifier) resource.identifier = panel.identifier;
    }
    const third = await recordSystem();
    const apart = await Service.start({ recordSystem: third.url });
    writeFileSync(join(apart.folder, "exam.json"), JSON.stringify(written));
    const ran = spawnSync("curl", ["-sS", "--fail-with-body", "-H", "Content-Type: application/fhir+json", "--data-binary", "@exam.json", `${apart.url}/fhir`], { cwd: apart.folder, encoding: "utf8" });
    assert.equal(ran.status, 0, ran.stdout + ran.stderr);
    assert.deepEqual(inOrder(comparable(await apart.exam(id))), inOrder(comparable(exam)));
    const apartBundle = bundle(await until(() => delivered(third), "the delivery of the written exam"));
    assert.deepEqual(inOrder(apartBundle), inOrder(bundle(here)));
    await apart.stop();
    await third.stop();
    noFaults(page);
});

/**
 * Resources or entries by what they are, and without what says nothing about the person: the printed form of a unit
 * beside its code, and the order in which members are named.
 */
function inOrder(list) {
    const plain = value => {
        if (Array.isArray(value)) {
            const items = value.map(plain);
            return items.every(item => typeof (item?.reference ?? item?.what?.reference) === "string" || item?.code?.coding) ? items.sort((a, b) => (JSON.stringify(a) < JSON.stringify(b) ? -1 : 1)) : items;
        }
        if (value === null || typeof value !== "object") return value;
        const { unit, ...rest } = value;
        return Object.fromEntries(Object.entries(rest).map(([name, inner]) => [name, plain(inner)]));
    };
    return list.map(plain).map(each => JSON.stringify(each)).sort();
}

test("an exam by touch, with what is unusual, blocked or asked three times, says just that", async () => {
    const page = await open(browser, service, { viewport: { width: 360, height: 740 }, hasTouch: true, isMobile: true });
    const sent = await handedIn(page);
    await page.goto(`${service.url}/`);
    await page.waitForSelector("#person-system:visible");
    for (const [id, text] of [["person", "HL-PERSON-0043"], ["person-system", PERSON.system], ["staff", "HL-STAFF-02"], ["staff-system", "https://harbourlane.example/staff"]]) await page.fill(`#${id}`, text);
    await page.tap("#begin button[type=submit]");
    await page.waitForSelector(".board");
    const choose = (place, word) => page.tap(`[data-place="${place}"] .choice:has-text("${word}")`);
    const all = side => page.tap(`.column[data-side="${side}"] .all >> nth=0`);
    const next = () => page.tap(".step-ends button:has-text('Next')");

    await all("left");
    await all("right");
    await next();
    await choose("skin|left|callus", "Yes");
    await page.tap('[data-place="skin|left|callus"] .zone:has-text("Ball of the foot")');
    await next();
    await choose("deformity|right|hallux-valgus", "Yes");
    await choose("deformity|right|significant-deformity", "Yes");
    await all("left");
    await next();
    for (const side of ["left", "right"]) for (const artery of ["dorsalis-pedis", "posterior-tibial"]) await choose(`pulse|${side}|${artery}`, "Present");
    await next();
    await page.tap(".switch:has-text('Three questions')");
    const question = (place, number, right) => page.tap(`[data-place="${place}"] .question >> nth=${number} >> .right-wrong >> nth=${right ? 0 : 1}`);
    const score = place => page.textContent(`[data-place="${place}"] .score`);
    const great = "monofilament-10g|right|hallux-plantar";
    await question(great, 0, true);
    assert.match(await score(great), /^1 of 1 right, 2 to ask$/);
    await question(great, 1, false);
    await question(great, 2, true);
    assert.match(await score(great), /^2 of 3 right: felt$/);
    const first = "monofilament-10g|right|mth-1";
    for (const number of [0, 1, 2]) await question(first, number, false);
    assert.match(await score(first), /^0 of 3 right: not felt$/);
    const fifth = "monofilament-10g|right|mth-5";
    await page.tap(`[data-place="${fifth}"] .blocked`);
    await page.selectOption(`[data-place="${fifth}"] select`, "callus");
    // A wrong tap is taken back.
    await all("left");
    await page.tap("#undo");
    assert.equal(await page.locator('.column[data-side="left"] .score:has-text("felt")').count(), 0);
    await all("left");
    await next();
    for (const side of ["left", "right"]) await choose(`vibration-128hz|${side}|hallux-dorsal`, "Felt");
    await page.tap("#rail button:has-text('History')");
    await page.tap(".all:has-text('None of these')");
    await page.tap("#rail button:has-text('Review')");
    await settled(page);
    await page.tap("#send");
    const id = await resultShown(page);

    const exam = await service.exam(id);
    const found = (test, side) => exam.resources.map(({ body }) => body).find(body => body.code?.coding[0].code === test && body.bodySite?.coding[0].code === side);
    const part = (test, side, code) => found(test, side).component.find(each => each.code.coding[0].code === code);
    assert.deepEqual(part("monofilament-10g", "right-foot", "hallux-plantar").valueRatio, { numerator: { value: 2 }, denominator: { value: 3 } });
    assert.deepEqual(part("monofilament-10g", "right-foot", "mth-1").valueRatio, { numerator: { value: 0 }, denominator: { value: 3 } });
    const blocked = part("monofilament-10g", "right-foot", "mth-5");
    assert.equal(blocked.valueRatio ?? blocked.valueCodeableConcept, undefined);
    assert.deepEqual([blocked.dataAbsentReason.coding[0].code, blocked.dataAbsentReason.text], ["not-performed", "Callus over the site"]);
    assert.equal(part("skin", "left-forefoot-sole", "callus").valueCodeableConcept.coding[0].code, "present");
    // What nobody looked at is not there.
    assert.equal(found("skin", "right-foot"), undefined);
    assert.equal(found("toe-touch", "left-foot"), undefined);
    assert.match(await page.textContent(".live-words"), /^Moderate$/);

    // The command line says the same of the same bytes.
    const folder = mkdtempSync(join(tmpdir(), "solewire-touch-"));
    writeFileSync(join(folder, "exam.json"), sent[0]);
    const ran = assessFiles([join(folder, "exam.json")]);
    const derived = JSON.parse(ran.stdout).entry.map(({ resource }) => resource).filter(({ resourceType }) => resourceType !== "Provenance");
    const stored = exam.resources.filter(each => each.derived && each.body.resourceType !== "Provenance").map(({ body }) => body);
    assert.deepEqual(stored, derived);
    rmSync(folder, { recursive: true });
    noFaults(page);
});

test("the timers write what they measure, and a key starts and stops them", async () => {
    const page = await open(browser, service);
    await begin(page, service, "HL-PERSON-0044");
    await page.click("#rail button:has-text('Other senses')");
    assert.equal(await focused(page), "vibration-128hz|left|hallux-dorsal");
    await page.clock.install();
    await page.keyboard.press("t");
    assert.match(await page.textContent('[data-place="vibration-128hz|left|hallux-dorsal"] .timer'), /I stopped feeling/);
    await page.clock.runFor(11_200);
    await page.keyboard.press("t");
    // The clock of the page goes on beside; on a busy machine by some tenths.
    const lag = Number(await page.inputValue('[data-place="vibration-128hz|left|hallux-dorsal"] .number'));
    assert.ok(lag >= 11.2 && lag < 12.2, String(lag));
    await page.clock.resume();
    await settled(page);
    await page.waitForFunction(() => document.getElementById("live-body").textContent.includes("settled") || document.querySelectorAll("[data-missing]").length > 0);
    noFaults(page);
});

test("two ulcers of one foot are described apart, each at its own place, and rarer measurements are sent", async () => {
    const page = await open(browser, service);
    await begin(page, service, "HL-PERSON-0045");
    const row = '[data-place="active-problem|left|active-ulcer"]';
    await page.click(`${row} .choice:has-text("Yes")`);
    const ulcer = number => page.locator(`${row} .ulcer >> nth=${number - 1}`);
    assert.equal(await ulcer(2).isVisible(), false);
    await ulcer(1).locator("select >> nth=0").selectOption("heel");
    await ulcer(1).locator("select >> nth=1").selectOption("skin-only");
    await ulcer(1).locator("input >> nth=0").fill("1.50");
    await page.click(`${row} button:has-text("Describe another ulcer")`);
    assert.equal(await ulcer(2).locator("option[value=heel]").evaluate(option => option.disabled), true);
    await ulcer(2).locator("select >> nth=0").selectOption("toes");
    await ulcer(2).locator("input >> nth=1").fill("12");
    await settled(page);
    await page.reload();
    await page.waitForSelector(row);
    assert.equal(await ulcer(2).locator("select >> nth=0").inputValue(), "toes", "both are kept");
    await page.click("#rail button:has-text('Blood flow')");
    await page.click("summary:has-text('Oxygen pressure')");
    await page.fill('[data-place="tcpo2|right|"] .number', "28");
    await page.click("#rail button:has-text('Monofilament')");
    for (const [size, rows] of [["9", 18], ["10", 20], ["4", 8], ["3", 6]]) {
        await page.check(`input[name=protocol][value="${size}"]`);
        assert.equal(await page.locator(".row").count(), rows, `${size} sites`);
    }
    await page.click("#rail button:has-text('Review')");
    await settled(page);
    await page.click("#send");
    const exam = await service.exam(await resultShown(page));
    const found = exam.resources.map(({ body }) => body).filter(({ code }) => ["ulcer", "tcpo2"].includes(code?.coding?.[0].code));
    const told = found.map(({ bodySite, component, valueQuantity }) => [bodySite.coding[0].code, component?.map(each => [each.code.coding[0].code, each.valueQuantity?.value ?? each.valueCodeableConcept.coding[0].code]) ?? valueQuantity.value]);
    assert.deepEqual(told.sort(), [
        ["left-heel", [["ulcer-area", 1.5], ["ulcer-depth", "skin-only"]]],
        ["left-toes", [["ulcer-duration", 12]]],
        ["right-foot", 28],
    ]);
    assert.match(await page.textContent(".found"), /Ulcer \(heel\).*Ulcer \(toes\)/s);
    noFaults(page);
});
