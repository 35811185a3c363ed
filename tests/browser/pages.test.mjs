// What holds for every page: it can be used by everybody, weighs little, asks nobody else, and lets nobody in.

import assert from "node:assert/strict";
import { spawnSync } from "node:child_process";
import { mkdtempSync, readdirSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { after, before, test } from "node:test";

import { begin, launch, noFaults, open, settled, setUpWorkstation, violations } from "./browser.mjs";
import { ROOT, Service } from "./service.mjs";

const CORPUS = join(ROOT, "tests", "corpus");
const FIRST_PAINT_BYTES = 150_000;
const WIDTHS = [360, 820, 1440];
const CAUTION = "Decision support for trained clinicians; not a diagnosis.";
/** Where pictures are put for looking at them; nowhere when it is not set. */
const PICTURES = process.env.SOLEWIRE_PICTURES;

let browser;
let service;
const assessments = {};

function corpus(name) {
    return readFileSync(join(CORPUS, name, "input.json"), "utf8");
}

async function handIn(name) {
    const answer = await service.post("/fhir", corpus(name));
    const id = /RiskAssessment\/([^>]+)>/.exec(answer.headers.get("link") ?? "")?.[1];
    if (id) assessments[name] = id;
    return id;
}

before(async () => {
    browser = await launch();
    service = await Service.start();
    for (const name of ["category-2", "active-ulcer", "active-ulcer-urgent", "range-missing-monofilament", "complete-normal"]) await handIn(name);
});

after(async () => {
    await browser?.close();
    await service?.stop();
});

/** Every page in the states it can be in: a name and how to get there. */
const STATES = [
    ["start", page => page.goto(`${service.url}/`).then(() => page.waitForSelector("#begin:visible"))],
    ...["Urgent signs", "Skin and nails", "Shape", "Blood flow", "Monofilament", "Other senses", "Strength, warmth", "History", "Care at home", "Review and send"].map((step, index) => [
        `exam-${index + 1}`, async page => {
            if (!(await page.locator(".board, .review").count())) await begin(page, service);
            await page.click(`#rail button:has-text("${step}")`);
            // Rows in all their forms: answered, without a result, asked for where.
            if (step === "Urgent signs") await page.click('[data-place="active-problem|left|active-ulcer"] .choice:nth-child(2)');
            if (step === "Skin and nails") {
                await page.click('[data-place="skin|left|callus"] .choice:nth-child(2)');
                await page.click('[data-place="skin|right|callus"] .choice:nth-child(3)');
            }
            if (step === "Monofilament") await page.click(".switch:has-text('Three questions')");
            if (step === "Strength, warmth") {
                await page.fill('[data-place="skin-temperature|left|heel"] .number', "98");
                await page.waitForSelector(".row-issue:visible");
                await page.fill('[data-place="skin-temperature|left|heel"] .number', "29.5");
            }
            for (const summary of await page.locator(".more summary").all()) if (!(await summary.evaluate(each => each.parentElement.open))) await summary.click();
            await settled(page);
        },
    ]),
    ...["category-2", "active-ulcer-urgent", "range-missing-monofilament"].flatMap(name => [
        [`result-${name}`, page => page.goto(`${service.url}/result#${assessments[name]}`).then(() => page.waitForSelector(".result"))],
        [`sheet-${name}`, page => page.goto(`${service.url}/sheet#${assessments[name]}`).then(() => page.waitForSelector(".sheet"))],
    ]),
    ["result-none", page => page.goto(`${service.url}/result#nothing`).then(() => page.waitForSelector(".empty"))],
    ...["recalls", "referrals", "incomplete", "deliveries"].map(list => [
        `worklist-${list}`, page => page.goto(`${service.url}/worklists#${list}`).then(() => page.waitForSelector("#list > *")),
    ]),
    ["inspect", page => page.goto(`${service.url}/inspect#${assessments["active-ulcer"]}`).then(() => page.waitForSelector(".issues"))],
    ["contract", page => page.goto(`${service.url}/contract#submitExam`).then(() => page.waitForSelector(".contract details[open]"))],
];

for (const width of WIDTHS) {
    test(`every page at ${width} pixels has no fault that axe-core finds, fits, and carries the caution`, async () => {
        const touch = width < 1000;
        const page = await open(browser, service, { viewport: { width, height: touch ? 800 : 900 }, hasTouch: touch, isMobile: touch });
        const found = [];
        for (const [name, go] of STATES) {
            // Another fragment of the same address is no new page.
            if (!name.startsWith("exam-") || name === "exam-1") await page.goto("about:blank");
            await go(page);
            found.push(...(await violations(page)).map(line => `${name}: ${line}`));
            const over = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
            if (over > 0) found.push(`${name}: ${over} pixels too wide`);
            if (!(await page.textContent(".caution")).includes(CAUTION)) found.push(`${name}: no caution`);
            if (PICTURES) await page.screenshot({ path: join(PICTURES, `${name}-${width}.png`), fullPage: !name.startsWith("exam-") });
        }
        assert.deepEqual(found, []);
        noFaults(page);
    });
}

test("the first page weighs little, and every file says how it may be used", async () => {
    // What is kept for a reload without a connection is fetched behind the page and delays nothing.
    const page = await open(browser, service, { serviceWorkers: "block" });
    let bytes = 0;
    const answers = [];
    page.on("response", answer => answers.push(answer));
    await page.goto(`${service.url}/`);
    await page.waitForSelector("#begin:visible");
    const painted = [...answers];
    for (const answer of painted) bytes += (await answer.body().catch(() => Buffer.alloc(0))).length;
    console.log(`bytes of the first page: ${bytes} in ${painted.length} answers`);
    assert.ok(bytes < FIRST_PAINT_BYTES, `${bytes} bytes`);
    const files = painted.filter(answer => !new URL(answer.url()).pathname.startsWith("/pages/") && !new URL(answer.url()).pathname.startsWith("/fhir"));
    assert.ok(files.length >= 10);
    for (const answer of files) {
        const { pathname } = new URL(answer.url());
        const raw = await fetch(answer.url());
        const policy = raw.headers.get("content-security-policy");
        assert.match(policy, /default-src 'none'/, pathname);
        assert.doesNotMatch(policy, /unsafe|\*|data:|https?:/, pathname);
        assert.equal(raw.headers.get("x-content-type-options"), "nosniff", pathname);
        assert.equal(raw.headers.get("referrer-policy"), "no-referrer", pathname);
        const again = await fetch(answer.url(), { headers: { "If-None-Match": raw.headers.get("etag") } });
        assert.equal(again.status, 304, pathname);
    }
    noFaults(page);
});

/** How many sheets of paper a page takes. */
async function sheets(page, format, folder) {
    const path = join(folder, "printed.pdf");
    await page.pdf({ path, format });
    return Number(/Pages:\s+(\d+)/.exec(spawnSync("pdfinfo", [path], { encoding: "utf8" }).stdout)[1]);
}

/** The cases with the most to say; a full run prints them all. */
const LONGEST = ["range-missing-monofilament", "category-2", "active-ulcer-urgent", "vascular-disagreement", "settled-despite-gaps"];

test("the record and the sheet of an exam print on one page of A4 and of Letter", async () => {
    const page = await open(browser, service);
    const folder = mkdtempSync(join(tmpdir(), "solewire-print-"));
    const wrong = [];
    let exams = 0;
    const all = readdirSync(CORPUS).filter(each => !each.startsWith("invalid-") && !each.endsWith(".md"));
    for (const name of process.env.SOLEWIRE_FULL ? all : LONGEST) {
        const id = await handIn(name);
        // Some cases are no transaction, and are refused as such.
        if (!id) continue;
        exams += 1;
        for (const [address, shown] of [["result", ".result"], ["sheet", ".sheet"]]) {
            await page.goto("about:blank");
            await page.goto(`${service.url}/${address}#${id}`);
            await page.waitForSelector(shown);
            for (const format of ["A4", "Letter"]) {
                const count = await sheets(page, format, folder);
                if (count !== 1) wrong.push(`${name}, ${address}, ${format}: ${count} pages`);
            }
        }
    }
    rmSync(folder, { recursive: true });
    assert.ok(exams >= LONGEST.length, `${exams} exams`);
    assert.deepEqual(wrong, []);
    noFaults(page);
});

/** Grade of the Flesch-Kincaid formula (Kincaid et al. 1975); grade 6 goes with an age of about 12 (memory). */
function grade(sentences) {
    const words = sentences.flatMap(sentence => sentence.match(/[A-Za-z']+/g) ?? []);
    const syllables = words.map(word => Math.max(1, (word.toLowerCase().replace(/e$/, "").match(/[aeiouy]+/g) ?? []).length)).reduce((sum, each) => sum + each, 0);
    return 0.39 * (words.length / sentences.length) + 11.8 * (syllables / words.length) - 15.59;
}

test("the sheet for the person reads at an age of about twelve, in large type", async () => {
    const page = await open(browser, service);
    for (const name of ["complete-normal", "category-2", "active-ulcer", "active-ulcer-urgent", "range-missing-monofilament"]) {
        await page.goto("about:blank");
        await page.goto(`${service.url}/sheet#${assessments[name]}`);
        await page.waitForSelector(".sheet");
        const lines = await page.locator(".sheet p:not(:has(.write-in)), .sheet li, .sheet h2").allTextContents();
        const sentences = lines.flatMap(line => line.split(/[.?!]/)).map(each => each.trim()).filter(Boolean);
        const reached = grade(sentences);
        assert.ok(reached <= 6, `${name}: grade ${reached.toFixed(1)}`);
        const size = await page.evaluate(() => parseFloat(getComputedStyle(document.querySelector(".sheet li")).fontSize));
        assert.ok(size >= 18, `${size} px`);
    }
    const urgent = async name => {
        await page.goto("about:blank");
        await page.goto(`${service.url}/sheet#${assessments[name]}`);
        return page.textContent(".sheet .big");
    };
    assert.match(await urgent("active-ulcer"), /needs care today/);
    assert.match(await urgent("active-ulcer-urgent"), /needs care very soon/);
    assert.match(await urgent("range-missing-monofilament"), /not complete yet.*between very low and medium/);
    noFaults(page);
});

test("the result shows category or range, what is missing, the two feet, what to do and when", async () => {
    const page = await open(browser, service);
    const show = async name => {
        await page.goto("about:blank");
        await page.goto(`${service.url}/result#${assessments[name]}`);
        await page.waitForSelector(".result");
        return page.textContent(".result");
    };
    const settledResult = await show("category-2");
    for (const part of [/Moderate/, /16 December 2026 to 16 March 2027/, /Loss of protective sensation\s*present/, /therapeutic footwear/, /Hallux valgus/, /Category 2 \(moderate\)/]) assert.match(settledResult, part);
    const range = await show("range-missing-monofilament");
    for (const part of [/Very low to moderate/, /settles it alone/, /10 g monofilament sensation of the left foot/, /Preliminary/]) assert.match(range, part);
    assert.match(await show("active-ulcer"), /At once\. .*acute services/);

    const later = corpus("category-2").replaceAll("2026-09-16T", "2026-11-16T").replaceAll("HL-EXAM-", "HL-EXAM-9").replaceAll("HL-VISIT-", "HL-VISIT-9");
    const answer = await service.post("/fhir", later);
    assessments.later = /RiskAssessment\/([^>]+)>/.exec(answer.headers.get("link"))[1];
    assert.match(await show("later"), /Compared with the last exam.*Since the exam of 16 September 2026/);

    await setUpWorkstation(page, service);
    await page.keyboard.type("HL-PERSON-0004");
    await page.click("#show-earlier");
    await page.waitForSelector("#earlier-results li");
    assert.equal(await page.locator("#earlier-results li").count(), 2);
    await page.click("#earlier-results a >> nth=0");
    await page.waitForSelector(".result");
    assert.equal(new URL(page.url()).hash, `#${assessments.later}`);
    noFaults(page);
});

test("only a token lets somebody in; a session keeps other sites and idle screens out", async () => {
    const guarded = await Service.start({ tokens: { "front-desk-token": "submit read", "lists-only-token": "read" } });
    const page = await open(browser, guarded);
    await page.goto(`${guarded.url}/`);
    await page.waitForSelector("#token:visible");
    assert.deepEqual(await violations(page), []);
    for (const width of PICTURES ? [360, 820, 1440] : []) {
        await page.setViewportSize({ width, height: 800 });
        await page.screenshot({ path: join(PICTURES, `sign-in-${width}.png`) });
    }
    await page.keyboard.type("wrong");
    await page.keyboard.press("Enter");
    await page.waitForFunction(() => document.getElementById("token-problem").textContent.includes("not known"));
    await page.keyboard.type("front-desk-token");
    await page.keyboard.press("Enter");
    await page.waitForSelector("#begin:visible");
    const [cookie] = await page.context().cookies();
    assert.deepEqual([cookie.httpOnly, cookie.sameSite, cookie.path], [true, "Strict", "/"]);
    assert.equal(await page.evaluate(() => document.cookie), "");
    // Without the right to operate there is no list of deliveries.
    await begin(page, guarded);
    const header = `${cookie.name}=${cookie.value}`;
    const ask = (path, method, headers) => fetch(`${guarded.url}${path}`, { method, headers: { Cookie: header, "Content-Type": "application/fhir+json", ...headers }, body: method === "POST" ? "{}" : undefined }).then(answer => answer.status);
    assert.equal(await ask("/fhir/RiskAssessment", "GET", {}), 200);
    assert.equal(await ask("/fhir/$assess", "POST", {}), 403, "without the header of our pages");
    assert.equal(await ask("/fhir/$assess", "POST", { "X-Solewire-Page": "1", "Sec-Fetch-Site": "cross-site" }), 403, "from another site");
    assert.equal(await ask("/pages/deliveries", "GET", {}), 403);
    assert.equal(await ask("/fhir/$assess", "POST", { "X-Solewire-Page": "1" }), 422, "from our own page");

    await page.keyboard.press("a");
    await settled(page);
    await page.clock.install();
    await page.clock.fastForward("20:00");
    await page.waitForSelector("#token:visible");
    assert.ok(!(await page.isVisible("#main")), "nothing of the exam is left on the screen");
    assert.equal(await ask("/fhir/RiskAssessment", "GET", {}), 401, "the session has ended");
    await page.keyboard.type("front-desk-token");
    await page.keyboard.press("Enter");
    await page.waitForSelector(".board");
    assert.equal(await page.locator(".row:has(input:checked)").count(), 8, "what was answered is still there");

    const other = await open(browser, guarded);
    await other.goto(`${guarded.url}/worklists`);
    await other.waitForSelector("#token:visible");
    await other.keyboard.type("lists-only-token");
    await other.keyboard.press("Enter");
    await other.waitForSelector("#list > *");
    assert.deepEqual(await other.locator("#pages a").allTextContents(), ["Worklists", "Inspect"]);
    assert.equal(await other.locator(".tabs a").count(), 3);
    await guarded.stop();
    noFaults(page);
});
