// What the capture page says about an unfinished exam is what the command line says of the same bytes.

import assert from "node:assert/strict";
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { after, before, test } from "node:test";

import { begin, launch, noFaults, open } from "./browser.mjs";
import { assessFiles, ROOT, Service } from "./service.mjs";

const EXAMS = process.env.SOLEWIRE_FULL ? 200 : 20;
const SEED = Number(process.env.SOLEWIRE_SEED ?? 2026);

let browser;
let service;

before(async () => {
    browser = await launch();
    service = await Service.start();
});

after(async () => {
    await browser?.close();
    await service?.stop();
});

/** Puts a random part of an exam on the page: each answer is usual, unusual, without a result, or not there. */
async function fillAtRandom(page, seed) {
    const id = await page.evaluate(async number => {
        const { GROUPS, SIDES, PROTOCOLS, REASONS } = await import("/assets/catalogue.js");
        const work = await import("/assets/work.js");
        let state = number;
        // Mulberry32: small, and the same in every run.
        const random = () => {
            state = (state + 0x6d2b79f5) | 0;
            let mixed = Math.imul(state ^ (state >>> 15), 1 | state);
            mixed = (mixed + Math.imul(mixed ^ (mixed >>> 7), 61 | mixed)) ^ mixed;
            return ((mixed ^ (mixed >>> 14)) >>> 0) / 2 ** 32;
        };
        const pick = list => list[Math.floor(random() * list.length)];
        const protocol = pick([3, 4, 10]);
        const [healthy, full] = [random(), random()];
        const answers = {};
        for (const group of GROUPS) {
            const kept = random() < 0.35 + full * 0.6;
            for (const side of group.scope === "foot" ? SIDES : [{ id: "" }]) {
                for (const part of group.parts ?? [{ code: "" }]) {
                    if (!kept || random() > 0.6 + full * 0.4 || (group.protocol && !PROTOCOLS[protocol].includes(part.code))) continue;
                    const place = `${group.test}|${side.id}|${part.code}`;
                    if (random() < 0.06) answers[place] = { reason: pick(REASONS).id };
                    else if (group.asked && random() < 0.3) answers[place] = { ratio: [random() < healthy, true, random() < 0.8] };
                    else if (group.answers) answers[place] = { code: random() < 0.7 + healthy * 0.3 ? group.answers[0].code : pick(group.answers).code };
                    else if (group.test === "systolic-pressure") answers[place] = { number: String(90 + Math.floor(random() * 60)) };
                    else if (group.test === "skin-temperature") answers[place] = { number: (25 + random() * 8).toFixed(1) };
                    else if (group.quantity) answers[place] = { number: (1 + random() * 40).toFixed(1) };
                }
            }
        }
        const exam = (await work.list())[0];
        const id = crypto.randomUUID();
        await work.save({ ...exam, id, protocol, answers, step: "review", status: random() < 0.8 ? "final" : "preliminary" });
        return id;
    }, seed);
    const asked = page.waitForRequest(request => request.url().endsWith("/fhir/$assess"));
    const answered = page.waitForResponse(response => response.url().endsWith("/fhir/$assess"));
    await page.evaluate(each => (location.hash = each), id);
    const text = (await asked).postData();
    const status = (await answered).status();
    await page.waitForFunction(() => ["fresh", "refused"].includes(document.getElementById("live").dataset.state) && !document.getElementById("live-body").hidden);
    await page.waitForFunction(() => document.getElementById("live-body").childElementCount > 0);
    const shown = await page.evaluate(() => ({
        missing: [...document.querySelectorAll("[data-missing]")].map(each => each.dataset.missing),
        words: document.getElementById("live-words")?.textContent.toLowerCase() ?? null,
        issues: [...document.querySelectorAll(".issues code")].map(each => each.textContent),
    }));
    return { text, status, shown };
}

test(`the page and the command line agree about ${EXAMS} random unfinished exams`, async () => {
    const page = await open(browser, service);
    await begin(page, service);
    const folder = mkdtempSync(join(tmpdir(), "solewire-partial-"));
    const settledness = new Set();
    const differences = [];
    let refused = 0;
    for (let number = 0; number < EXAMS; number += 1) {
        const { text, status, shown } = await fillAtRandom(page, SEED * 1_000 + number);
        const file = join(folder, `${number}.json`);
        writeFileSync(file, text);
        const ran = assessFiles([file]);
        if (status !== 200) {
            refused += 1;
            if (ran.status === 0 || shown.issues.length === 0) differences.push(`${number}: refused by one of the two`);
            continue;
        }
        const assessment = JSON.parse(ran.stdout).entry.find(({ resource }) => resource.resourceType === "RiskAssessment").resource;
        const missing = assessment.note.map(each => each.text).filter(each => each.includes(" is not known. Missing: "));
        const categories = assessment.prediction.map(({ qualitativeRisk }) => qualitativeRisk.coding[0].display.replace(/^[^:]*: /, ""));
        if (JSON.stringify(shown.missing) !== JSON.stringify(missing)) differences.push(`${number}: missing ${JSON.stringify(shown.missing)} and ${JSON.stringify(missing)}`);
        if (shown.words !== categories.join(" to ")) differences.push(`${number}: ${shown.words} and ${categories.join(" to ")}`);
        settledness.add(`${categories.join(" to ")}, ${missing.length} missing`);
    }
    rmSync(folder, { recursive: true });
    console.log(`${EXAMS} random exams: ${settledness.size} different outcomes, ${refused} refused by both`);
    assert.deepEqual(differences, []);
    assert.ok(settledness.size >= Math.min(6, EXAMS / 3), "the exams differ");
    assert.ok(refused < EXAMS / 4, "most of the exams can be assessed");
    noFaults(page);
});

test("every code of the capture page is a code of the exam under its own name, and every test of the exam is there", async () => {
    const table = new Map(readFileSync(join(ROOT, "profiles", "local", "exam-codes.csv"), "utf8").split("\n").slice(1).map(line => {
        const [system, code, ...rest] = line.split(",");
        const display = rest.join(",");
        return [`${system}|${code}`, { display: display.startsWith('"') ? display.slice(1).split('"')[0] : display.split(",")[0], line }];
    }));
    const page = await open(browser, service);
    await page.goto(`${service.url}/`);
    const used = await page.evaluate(async () => {
        const { GROUPS, ZONES, SIDES, ULCER } = await import("/assets/catalogue.js");
        const parts = [ULCER.area, ULCER.depth, ULCER.duration, ULCER.infection];
        return [
            ...[...GROUPS, ULCER].map(({ test, display }) => ["foot-test", test, display]),
            ...[...GROUPS.flatMap(group => group.parts ?? []), ...ZONES, ...parts].map(({ system, code, display }) => [system, code, display]),
            ...SIDES.map(({ code, display }) => ["foot-site", code, display]),
            ...[...GROUPS, ...parts].flatMap(group => group.answers ?? []).map(({ code, display }) => ["foot-result", code, display]),
        ];
    });
    const wrong = used.filter(([system, code, display]) => table.get(`${system}|${code}`)?.display !== display);
    assert.deepEqual(wrong, []);
    const tests = [...table].filter(([key, { line }]) => key.startsWith("foot-test|") && line.includes(",test,")).map(([key]) => key.split("|")[1]);
    const left = tests.filter(code => !used.some(([, each]) => each === code));
    // A computed index is left to the pressures it is computed from.
    assert.deepEqual(left, ["ankle-brachial-index", "toe-brachial-index"]);
    noFaults(page);
});
