// The built service as a process of its own, with a fresh store, and a record system that keeps what it is sent.

import { spawn, spawnSync } from "node:child_process";
import { createHash } from "node:crypto";
import { existsSync, mkdtempSync, rmSync, statSync, writeFileSync } from "node:fs";
import { createServer } from "node:http";
import { createServer as createListener } from "node:net";
import { tmpdir } from "node:os";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";

export const ROOT = join(dirname(fileURLToPath(import.meta.url)), "..", "..");
const READY_LIMIT = 60_000;

/** What runs. A test that fails leaves its services behind; they end with this process. */
const running = new Set();
process.on("exit", () => {
    for (const child of running) child.kill("SIGKILL");
});

/** A built binary: the named one, else the newest of the target folder. */
function binary(name, variable) {
    if (process.env[variable]) return process.env[variable];
    const target = process.env.CARGO_TARGET_DIR ?? join(ROOT, "target");
    const found = ["debug", "release"].map(profile => join(target, profile, name)).filter(existsSync);
    if (found.length === 0) throw new Error(`${name} is not built; run cargo build --workspace --bins`);
    return found.sort((a, b) => statSync(b).mtimeMs - statSync(a).mtimeMs)[0];
}

function freePort() {
    return new Promise((resolve, reject) => {
        const listener = createListener();
        listener.on("error", reject);
        listener.listen(0, "127.0.0.1", () => {
            const { port } = listener.address();
            listener.close(() => resolve(port));
        });
    });
}

/** Waits until something holds, for as long as `limit`. */
export async function until(holds, what, limit = READY_LIMIT) {
    const deadline = Date.now() + limit;
    for (;;) {
        const found = await holds();
        if (found) return found;
        if (Date.now() > deadline) throw new Error(`not in time: ${what}`);
        await new Promise(resolve => setTimeout(resolve, 25));
    }
}

/** A running service. */
export class Service {
    /** `tokens` maps tokens to their rights; without it everybody may do everything. */
    static async start({ tokens, recordSystem, more = "" } = {}) {
        const service = new Service();
        service.folder = mkdtempSync(join(tmpdir(), "solewire-browser-"));
        [service.port, service.operations] = [await freePort(), await freePort()];
        service.url = `http://localhost:${service.port}`;
        const hash = token => createHash("sha256").update(token).digest("hex");
        const access = tokens
            ? `tokens = [${Object.entries(tokens).map(([token, rights]) => `"${hash(token)} ${rights}"`).join(", ")}]`
            : 'mode = "open"';
        const record = recordSystem ? `[record_system]\nbase_url = "${recordSystem}"\n` : "";
        writeFileSync(join(service.folder, "solewire.toml"),
            `[server]\nlisten = "127.0.0.1:${service.port}"\noperations_listen = "127.0.0.1:${service.operations}"\n` +
            `[store]\nurl = "sqlite:solewire.db"\n${record}[access]\n${access}\n${more}`);
        await service.run();
        return service;
    }

    async run() {
        this.log = "";
        this.child = spawn(binary("solewire", "SOLEWIRE"), ["serve", "--config", "solewire.toml"], { cwd: this.folder, stdio: ["ignore", "pipe", "pipe"] });
        running.add(this.child);
        this.child.once("exit", () => running.delete(this.child));
        for (const stream of [this.child.stdout, this.child.stderr]) stream.on("data", text => (this.log += text));
        await until(async () => {
            if (this.child.exitCode !== null) throw new Error(`the service ended:\n${this.log}`);
            return fetch(`http://127.0.0.1:${this.operations}/health/ready`).then(answer => answer.ok, () => false);
        }, "the service is ready").catch(error => {
            throw new Error(`${error.message}\n${this.log}`);
        });
    }

    /** Ends the process at once, with nothing tidied up. */
    async kill() {
        const ended = new Promise(resolve => this.child.once("exit", resolve));
        this.child.kill("SIGKILL");
        await ended;
    }

    async stop() {
        if (this.child.exitCode === null && this.child.signalCode === null) await this.kill();
        rmSync(this.folder, { recursive: true, force: true });
    }

    /** What a program gets from the FHIR interface or from a page's address. */
    async get(path) {
        const answer = await fetch(`${this.url}${path}`);
        return answer.json();
    }

    /** Hands in a document as any client would; gives the answer. */
    post(path, text) {
        return fetch(`${this.url}${path}`, { method: "POST", headers: { "Content-Type": "application/fhir+json" }, body: text });
    }

    /** Everything stored about the exam of an assessment. */
    exam(id) {
        return this.get(`/pages/exams/${id}`);
    }

    /** How many exams are stored: each has one assessment. */
    async exams() {
        return (await this.get("/fhir/RiskAssessment?_summary=count")).total;
    }
}

/** A record system that takes every transaction and keeps it. */
export async function recordSystem() {
    const taken = [];
    const server = createServer(async (request, response) => {
        const parts = [];
        for await (const part of request) parts.push(part);
        const text = Buffer.concat(parts).toString();
        response.setHeader("Content-Type", "application/fhir+json");
        if (request.method !== "POST" || request.url.endsWith("/_search")) {
            response.end(JSON.stringify({ resourceType: "Bundle", type: "searchset", total: 0 }));
            return;
        }
        taken.push(text);
        const entry = JSON.parse(text).entry.map((each, number) => ({ response: { status: "201 Created", location: `${each.resource.resourceType}/${number}/_history/1` } }));
        response.end(JSON.stringify({ resourceType: "Bundle", type: "transaction-response", entry }));
    });
    await new Promise(resolve => server.listen(0, "127.0.0.1", resolve));
    return { url: `http://127.0.0.1:${server.address().port}/fhir`, taken, stop: () => new Promise(resolve => server.close(resolve)) };
}

/** What `solewire-check assess` derives from files: one collection Bundle for each, in their order. */
export function assessFiles(files) {
    const ran = spawnSync(binary("solewire-check", "SOLEWIRE_CHECK"), ["assess", "--format", "json", ...files], { encoding: "utf8", maxBuffer: 1 << 28 });
    return { status: ran.status, stdout: ran.stdout, stderr: ran.stderr };
}
