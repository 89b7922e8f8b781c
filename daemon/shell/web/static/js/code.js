// A QR code from rows of 0 and 1, dark on white whatever the light of the page, with its quiet zone (ISO/IEC 18004).

import { draw } from "./dom.js";

const QUIET = 4; // modules of white around it

export function code(rows, label) {
  const size = rows.length + 2 * QUIET;
  const path = rows
    .flatMap((row, y) =>
      [...row].map((cell, x) => (cell === "1" ? `M${x + QUIET} ${y + QUIET}h1v1h-1z` : "")),
    )
    .join("");
  return draw(
    "svg",
    { class: "code", viewBox: `0 0 ${size} ${size}`, role: "img", "aria-label": label },
    draw("rect", { width: size, height: size, fill: "#fff" }),
    draw("path", { d: path, fill: "#000", "shape-rendering": "crispEdges" }),
  );
}
