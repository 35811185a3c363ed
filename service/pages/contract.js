// The contract of the interface for people: what openapi.json says, operation by operation. Needs nobody to sign in.

import { byId, make, replace } from "./dom.js";
import { ask, Unreachable } from "./service.js";
import { CAUTION } from "./shell.js";

const METHODS = ["get", "post", "put"];

let contract = null;

/** What a reference inside the document stands for. */
function resolved(part) {
    if (!part?.$ref) return part ?? {};
    return part.$ref.replace("#/", "").split("/").reduce((place, name) => place[name.replaceAll("~1", "/").replaceAll("~0", "~")], contract);
}

// Texts of the document are paragraphs with code between backquotes.
function prose(text) {
    return (text ?? "").trim().split(/\n\s*\n/).filter(Boolean).map(paragraph =>
        make("p", {}, paragraph.split("`").map((piece, index) => (index % 2 ? make("code", {}, piece) : piece))));
}

function inline(text) {
    return (text ?? "").trim().split("`").map((piece, index) => (index % 2 ? make("code", {}, piece) : piece));
}

function table(caption, heads, rows) {
    if (rows.length === 0) return null;
    return make("div", { class: "list" }, make("table", {}, make("caption", { class: "unseen" }, caption),
        make("thead", {}, make("tr", {}, heads.map(head => make("th", { scope: "col" }, head)))),
        make("tbody", {}, rows.map(row => make("tr", {}, row.map((cell, index) => make("td", { "data-name": heads[index] }, cell)))))));
}

function shape(schema) {
    if (schema?.$ref) return schema.$ref.split("/").at(-1);
    const type = [schema?.type ?? []].flat().join(" or ");
    return schema?.enum ? schema.enum.join(", ") : type || "see the document";
}

function samples(content) {
    const listed = Object.entries(content ?? {}).flatMap(([type, { example, examples }]) => [
        ...(example === undefined ? [] : [["Example", type, example]]),
        ...Object.values(examples ?? {}).map(resolved).map(each => [each.summary ?? "Example", type, each.value]),
    ]);
    const seen = new Set();
    return listed.filter(([name, , value]) => !seen.has(name + JSON.stringify(value)) && seen.add(name + JSON.stringify(value))).map(([name, type, value]) =>
        make("details", {}, make("summary", {}, `${name} (${type})`),
            make("pre", { tabindex: "0" }, typeof value === "string" ? value : JSON.stringify(value, null, 2))));
}

function answers(responses) {
    const rows = Object.entries(responses).map(([status, reference]) => {
        const answer = resolved(reference);
        const types = Object.entries(answer.content ?? {}).map(([type, { schema }]) => make("div", {}, make("code", {}, type), ` ${shape(schema)}`));
        const headers = Object.keys(answer.headers ?? {}).map(name => make("div", {}, make("code", {}, name)));
        return [make("strong", {}, status), [inline(answer.description)], types.length ? types : "\u2013", headers.length ? headers : "\u2013"];
    });
    return table("Answers", ["Status", "Meaning", "Body", "Headers"], rows);
}

function operation(path, shared, method, described) {
    const parameters = [...(shared ?? []), ...(described.parameters ?? [])].map(resolved);
    const body = resolved(described.requestBody);
    const title = `${method.toUpperCase()} ${path}`;
    return make("details", { id: described.operationId },
        make("summary", {}, make("code", {}, title), " ", described.summary ?? ""),
        prose(described.description),
        table(`Parameters of ${title}`, ["Name", "Where", "Meaning", "Value"], parameters.map(each =>
            [make("code", {}, each.name), each.required ? `${each.in}, needed` : each.in, [inline(each.description)], shape(each.schema)])),
        described.requestBody ? make("p", { class: "help" }, "Body: ", Object.keys(body.content ?? {}).join(", ")) : null,
        samples(body.content),
        answers(described.responses),
        Object.values(described.responses).flatMap(each => samples(resolved(each).content)));
}

function section(tag) {
    const found = Object.entries(contract.paths).flatMap(([path, item]) =>
        METHODS.filter(method => item[method]?.tags?.includes(tag.name)).map(method => operation(path, item.parameters, method, item[method])));
    return make("section", { class: "card", "aria-labelledby": `tag-${tag.name}` },
        make("h2", { id: `tag-${tag.name}` }, tag.description), make("p", { class: "help" }, `${found.length} operations`), found);
}

function showAsked() {
    const asked = location.hash && byId(location.hash.slice(1));
    if (!asked) return;
    asked.open = true;
    asked.scrollIntoView();
}

async function show() {
    const content = byId("content");
    try {
        contract = (await ask("/openapi.json")).body;
    } catch (error) {
        if (!(error instanceof Unreachable)) throw error;
        replace(content, make("p", { class: "empty", role: "alert" }, "The service cannot be reached. Load the page again in a moment."));
        return;
    }
    replace(content, make("div", { class: "inspect contract" },
        make("h1", {}, `${contract.info.title} ${contract.info.version}: the interface`),
        prose(contract.info.description),
        make("p", {}, "The document itself: ", make("a", { href: "/openapi.yaml" }, "YAML"), " or ", make("a", { href: "/openapi.json" }, "JSON"),
            ". As FHIR: ", make("a", { href: "/fhir/metadata" }, "CapabilityStatement"), "."),
        contract.tags.map(section)));
    showAsked();
}

document.body.prepend(
    make("a", { class: "skip", href: "#main" }, "Skip to the content"),
    make("header", { class: "bar" }, make("a", { class: "mark", href: "/" }, make("img", { src: "/assets/mark.svg", alt: "", width: 30, height: 30 }), "Solewire")));
document.body.append(make("footer", { class: "caution" }, make("strong", {}, "Caution. "), CAUTION));
addEventListener("hashchange", showAsked);
await show();
