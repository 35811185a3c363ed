// Two feet, drawn for this purpose: the sole and the top. The left foot always stands on the left. On the sole its
// great toe points away from the other foot, on the top towards it, as on the feet themselves.

import { draw } from "./dom.js";

// One outline with the great toe on its left; the other foot is its mirror image.
const OUTLINE =
    "M60 246C41 246 32 229 33 208C34 188 43 174 42 153C41 134 27 118 22 98C18 81 23 69 36 66C56 60 83 64 98 79" +
    "C109 91 106 112 103 132C99 157 95 177 92 206C90 230 80 246 60 246Z";
const TOES = [
    [31, 40, 15, 23, -7], [56, 37, 9.5, 16, -2], [73.5, 43, 8.5, 14, 6], [89, 53, 8, 12.5, 16], [102, 67, 7.5, 10.5, 26],
];
const NAILS = [[29, 25, 8, 7, -7], [56, 27, 5, 5, -2], [75, 34, 4.6, 4.4, 6], [92, 45, 4.2, 4, 16], [106, 60, 3.8, 3.6, 26]];

const SITES = {
    sole: {
        "hallux-plantar": [31, 40], "toe-3-plantar": [73.5, 43], "toe-5-plantar": [102, 67],
        "mth-1": [38, 90], "mth-3": [65, 86], "mth-5": [94, 101],
        "midfoot-medial": [53, 146], "midfoot-lateral": [88, 148], heel: [62, 216],
        "forefoot-sole": [66, 108], "midfoot-sole": [70, 158], toes: [56, 37], "web-spaces": [46, 60],
    },
    top: {
        "dorsum-web-1": [48, 66], "hallux-dorsal": [31, 46], "mth-1-dorsal": [36, 86],
        "toe-tip-1": [28, 26], "toe-tip-3": [75, 34], "toe-tip-5": [106, 61],
        "dorsalis-pedis": [58, 122], "posterior-tibial": [36, 196], "medial-malleolus": [36, 182],
        "foot-dorsum": [70, 138], "medial-border": [42, 142], "lateral-border": [99, 140], ankle: [62, 212],
    },
};

/** The view in which a site is seen, or nothing for a place that is not on the foot. */
export function viewOf(site) {
    if (SITES.sole[site]) return "sole";
    return SITES.top[site] ? "top" : null;
}

const WIDTH = 124;

/**
 * A foot. `marks` are `{ site, look, number }`: the look is a shape (usual, unusual, between, none, open), so it can
 * be told without colour; `onmark` is called with the site of a mark that is tapped.
 */
export function foot({ side, view, marks, onmark, title }) {
    const mirrored = (side === "left") === (view === "top");
    const at = site => {
        const [x, y] = SITES[view][site];
        return [mirrored ? WIDTH - x : x, y];
    };
    const shape = draw("g", mirrored ? { transform: `translate(${WIDTH} 0) scale(-1 1)` } : {},
        TOES.map(([x, y, rx, ry, turn]) => draw("ellipse", { cx: x, cy: y, rx, ry, transform: `rotate(${turn} ${x} ${y})`, class: "foot-shape" })),
        draw("path", { d: OUTLINE, class: "foot-shape" }),
        view === "top"
            ? [
                ...NAILS.map(([x, y, rx, ry, turn]) => draw("ellipse", { cx: x, cy: y, rx, ry, transform: `rotate(${turn} ${x} ${y})`, class: "foot-line" })),
                draw("path", { d: "M41 176C52 188 74 188 91 178", class: "foot-line" }),
            ]
            : [draw("path", { d: "M30 116C44 128 78 132 101 124", class: "foot-line" }), draw("path", { d: "M38 190C50 182 76 182 92 192", class: "foot-line" })]);
    const drawn = marks.filter(({ site }) => SITES[view][site]).map(mark => marker(mark, at(mark.site), onmark));
    return draw("svg", { viewBox: "-4 0 132 256", class: "foot", role: "img", "aria-label": title }, shape, drawn);
}

function marker({ site, look, number }, [x, y], onmark) {
    const shapes = {
        usual: () => draw("circle", { r: 9.5 }),
        unusual: () => draw("path", { d: "M0 -11.500L11.500 0L0 11.500L-11.500 0Z" }),
        between: () => draw("path", { d: "M0 -11L10.500 8.500H-10.500Z" }),
        none: () => draw("rect", { x: -8.5, y: -8.5, width: 17, height: 17, rx: 2 }),
        open: () => draw("circle", { r: 9.5 }),
    };
    const signs = { usual: "\u2713", unusual: "\u2715", between: "!", none: "\u2013", open: number ?? "" };
    const group = draw("g", { class: "foot-mark", transform: `translate(${x} ${y})`, dataset: { look } },
        shapes[look](), draw("text", { y: look === "between" ? 5.5 : 4 }, String(signs[look])));
    if (onmark) group.addEventListener("click", () => onmark(site));
    return group;
}
