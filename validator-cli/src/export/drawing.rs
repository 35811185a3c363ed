//! A drawing of both soles with the sites that are tested there.

/// A site of the sole on a left foot seen from below: code, words, and its place in a box of 100 by 240.
const SITES: [(&str, &str, u32, u32); 9] = [
    ("hallux-plantar", "great toe", 24, 30),
    ("toe-3-plantar", "third toe", 53, 30),
    ("toe-5-plantar", "fifth toe", 79, 52),
    ("mth-1", "1st metatarsal head", 27, 82),
    ("mth-3", "3rd metatarsal head", 52, 80),
    ("mth-5", "5th metatarsal head", 76, 94),
    ("midfoot-medial", "midfoot, inner side", 36, 138),
    ("midfoot-lateral", "midfoot, outer side", 66, 140),
    ("heel", "heel", 52, 206),
];
/// The toes of the same foot: middle and radii.
const TOES: [(u32, u32, u32, u32); 5] =
    [(24, 30, 13, 19), (41, 27, 7, 12), (54, 31, 7, 11), (67, 39, 7, 10), (79, 52, 7, 9)];
const SOLE: &str = "M14 70 C10 100 24 120 28 150 C30 180 28 200 32 216 C38 236 66 236 71 216 C76 196 74 170 80 140 \
                    C88 110 92 90 84 70 C70 52 30 50 14 70 Z";
const WIDE: u32 = 760;
const HIGH: u32 = 330;

/// The drawing as an SVG document of its own.
pub(super) fn of_the_sites() -> String {
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDE} {HIGH}\" width=\"{WIDE}\" height=\"{HIGH}\" \
         role=\"img\" aria-labelledby=\"title\" font-family=\"sans-serif\">\n\
         <title id=\"title\">Sites of the sole, seen from below</title>\n\
         <rect width=\"{WIDE}\" height=\"{HIGH}\" fill=\"#ffffff\"/>\n"
    );
    // As the soles face whoever examines: the right foot on the left, the great toes towards the middle.
    out.push_str(&foot("right", 40, true));
    out.push_str(&foot("left", 260, false));
    for (number, (code, words, _, _)) in SITES.iter().enumerate() {
        let y = 60 + 28 * number;
        out.push_str(&format!(
            "<text x=\"500\" y=\"{y}\" font-size=\"13\" fill=\"#16242b\">{} {code}: {words}</text>\n",
            number + 1
        ));
    }
    out.push_str("</svg>\n");
    out
}

fn foot(side: &str, left: u32, mirrored: bool) -> String {
    let turn = if mirrored { "translate(100 0) scale(-1 1)" } else { "translate(0 0)" };
    let mut out = format!(
        "<g transform=\"translate({left} 40) scale(1.5 1.125)\">\n<g transform=\"{turn}\" fill=\"#f5f2ec\" stroke=\"#17424a\">\n<path d=\"{SOLE}\"/>\n"
    );
    for (x, y, wide, high) in TOES {
        out.push_str(&format!("<ellipse cx=\"{x}\" cy=\"{y}\" rx=\"{wide}\" ry=\"{high}\"/>\n"));
    }
    out.push_str("</g>\n</g>\n");
    for (number, (_, _, x, y)) in SITES.iter().enumerate() {
        let x = if mirrored { 100 - x } else { *x };
        let (x, y) = (left + x * 3 / 2, 40 + y * 9 / 8);
        out.push_str(&format!(
            "<circle cx=\"{x}\" cy=\"{y}\" r=\"10\" fill=\"#17424a\"/>\n<text x=\"{x}\" y=\"{}\" font-size=\"12\" \
             fill=\"#ffffff\" text-anchor=\"middle\">{}</text>\n",
            y + 4,
            number + 1
        ));
    }
    out.push_str(&format!(
        "<text x=\"{}\" y=\"24\" font-size=\"15\" fill=\"#16242b\" text-anchor=\"middle\">{side} foot</text>\n",
        left + 75
    ));
    out
}
