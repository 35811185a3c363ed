// Building the page. Texts become text nodes and nothing else, so no value can become markup.

const SVG = "http://www.w3.org/2000/svg";

function fill(element, properties, children) {
    for (const [name, value] of Object.entries(properties ?? {})) {
        if (value === undefined || value === null || value === false) continue;
        if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
        else if (name === "dataset") Object.assign(element.dataset, value);
        else if (value === true) element.setAttribute(name, "");
        else element.setAttribute(name, String(value));
    }
    element.append(...children.flat(Infinity).filter(child => child !== null && child !== undefined && child !== false));
    return element;
}

/** An HTML element: `make("p", { class: "note" }, "text", child)`. */
export function make(name, properties, ...children) {
    return fill(document.createElement(name), properties, children);
}

/** An SVG element. */
export function draw(name, properties, ...children) {
    return fill(document.createElementNS(SVG, name), properties, children);
}

/** The element with an id. */
export function byId(id) {
    return document.getElementById(id);
}

/** Puts other children in the place of those there are. */
export function replace(element, ...children) {
    element.replaceChildren(...children.flat(Infinity).filter(child => child !== null && child !== undefined && child !== false));
}

/** A text with its first letter large. */
export function capital(text) {
    return text.slice(0, 1).toUpperCase() + text.slice(1);
}

/** A date as people write it, from the start of a FHIR date; the text itself when it is none. */
export function dateWords(text) {
    const parts = /^(\d{4})-(\d{2})-(\d{2})/.exec(text ?? "");
    if (!parts) return text ?? "";
    const date = new Date(Date.UTC(Number(parts[1]), Number(parts[2]) - 1, Number(parts[3])));
    return date.toLocaleDateString("en-GB", { day: "numeric", month: "long", year: "numeric", timeZone: "UTC" });
}

/** Date and time of a FHIR dateTime, on the clock it was written with. */
export function timeWords(text) {
    const parts = /T(\d{2}:\d{2})/.exec(text ?? "");
    return parts ? `${dateWords(text)}, ${parts[1]}` : dateWords(text);
}

/** Says something to those who listen rather than look. */
export function announce(text) {
    const place = byId("announcer");
    if (place) place.textContent = text;
}
