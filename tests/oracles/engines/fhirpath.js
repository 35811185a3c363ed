// Judges resources by the published invariants with the independent engine fhirpath: one JSON document a line on
// standard input, one line of [[key, pointer, why], ...] on standard output. `why` is "false" or an error.
//
// The walk is written anew here, over profiles/base, so that it does not share a mistake with the product.
"use strict";

const fs = require("node:fs");
const path = require("node:path");
const readline = require("node:readline");

const repository = path.resolve(__dirname, "../../..");
const modules = path.join(repository, "tests/.tools/npm/node_modules/fhirpath");
const fhirpath = require(modules);
const r4 = require(path.join(modules, "fhir-context/r4"));

const base = (name) => JSON.parse(fs.readFileSync(path.join(repository, "profiles/base", name), "utf8"));
const types = base("types.json");
const invariants = base("invariants.json");

const elementCache = new Map();

/** The elements of a type or a group by JSON property: {path, type, owner}. */
function properties(name) {
  if (elementCache.has(name)) return elementCache.get(name);
  const [owner, ...rest] = name.split(".");
  const prefix = rest.length ? rest.join(".") + "." : "";
  const rows = types[owner].elements || [];
  const parent = prefix ? rows.find((row) => row[0] + "." === prefix)[2] : types[owner].base;
  const found = new Map(parent && types[parent] ? properties(parent) : []);
  for (const [at, , uses] of rows) {
    const last = at.slice(prefix.length);
    if (!at.startsWith(prefix) || last.includes(".")) continue;
    for (const use of uses.match(/[^,(]+(\([^)]*\))?/g)) {
      let [, code, narrowed] = use.replace("plain:", "").match(/^([^(]+)(?:\(([^)]*)\))?$/);
      if (code.startsWith("#")) code = code.slice(1);
      else if (rows.some((row) => row[0].startsWith(at + "."))) code = `${owner}.${at}`;
      else if (code === "Quantity" && narrowed) code = narrowed;
      const property = last.endsWith("[x]")
        ? last.slice(0, -3) + code[0].toUpperCase() + code.slice(1)
        : last;
      found.set(property, { path: `${owner}.${at}`, type: code });
    }
  }
  elementCache.set(name, found);
  return found;
}

/** A type and what it is based on, the group of a type included. */
function lineage(name) {
  const chain = [];
  while (name) {
    chain.push(name);
    if (name.includes(".")) {
      const [owner, ...rest] = name.split(".");
      name = types[owner].elements.find((row) => row[0] === rest.join("."))[2];
    } else name = types[name] && types[name].base;
  }
  return chain;
}

const plans = new Map();

/** The compiled invariants of an element that was declared at `declared` (none for a resource) and is of `type`. */
function plan(declared, type) {
  const id = `${declared}|${type}`;
  if (plans.has(id)) return plans.get(id);
  const compiled = [];
  // What every element owes (ele-1) is asked of objects only; a bare primitive has a value by its form.
  const bare = types[type] && types[type].kind === "primitive-type";
  const places = [...new Set([declared, ...(bare ? [] : lineage(type))])];
  for (const place of places) {
    for (const [key, , , expression] of invariants[place] || []) {
      if (!expression) continue;
      // A profile on Quantity is a Quantity to the engine.
      const context = type === "SimpleQuantity" || type === "MoneyQuantity" ? "Quantity" : type;
      // dom-3 says `as` of many items, which FHIRPath allows of one only; `ofType` is what it means.
      const written = key === "dom-3" ? expression.replaceAll("as(", "ofType(") : expression;
      try {
        compiled.push([key, fhirpath.compile({ base: context, expression: written }, r4, { traceFn: () => {} })]);
      } catch (error) {
        compiled.push([key, () => { throw error; }]);
      }
    }
  }
  plans.set(id, compiled);
  return compiled;
}

function judge(document) {
  const broken = [];
  const test = (value, declared, type, pointer, around) => {
    for (const [key, holds] of plan(declared, type)) {
      const environment = { resource: around.resource, rootResource: around.root, context: value };
      environment.ucum = "http://unitsofmeasure.org";
      try {
        const result = holds(value, environment);
        // Empty is no breach: most invariants are empty where what they speak of is absent.
        if (result.length > 1 || result.includes(false)) broken.push([key, pointer, "false"]);
      } catch (error) {
        broken.push([key, pointer, "error: " + String(error.message || error).split("\n")[0]]);
      }
    }
  };
  const visit = (value, declared, type, pointer, around) => {
    test(value, declared, type, pointer, around);
    const known = properties(type);
    for (const [key, item] of Object.entries(value)) {
      const element = known.get(key);
      if (!element) continue;
      const items = Array.isArray(item) ? item : [item];
      items.forEach((child, index) => {
        const place = Array.isArray(item) ? `${pointer}/${key}/${index}` : `${pointer}/${key}`;
        if (child === null || typeof child !== "object" || Array.isArray(child)) {
          if (element.path in invariants && child !== null) test(child, element.path, element.type, place, around);
        } else if (element.type === "Resource") {
          resource(child, place, key === "contained" ? around.root : child);
        } else visit(child, element.path, element.type, place, around);
      });
    }
  };
  const resource = (value, pointer, root) => {
    const type = value.resourceType;
    if (types[type] && types[type].kind === "resource") visit(value, type, type, pointer, { resource: value, root });
  };
  if (document && typeof document === "object") resource(document, "", document);
  return broken;
}

const lines = readline.createInterface({ input: process.stdin, crlfDelay: Infinity });
lines.on("line", (line) => {
  let answer;
  try {
    answer = judge(JSON.parse(line));
  } catch (error) {
    answer = [["-", "", "error: " + String(error.message || error).split("\n")[0]]];
  }
  process.stdout.write(JSON.stringify(answer) + "\n");
});
