// Reading a chart: what lies under the finger, the mouse or the arrow keys, in words; and moving it from the keyboard.

import { t } from "./texts.js";

const STEPS = { ArrowLeft: -1, ArrowRight: 1 };
const AROUND = { PageUp: [-0.5, 1], PageDown: [0.5, 1], "+": [0, 0.5], "-": [0, 2] }; // shift and widening, of what is shown

/** box: of a chart that has its plot. read(index or null): says what stands there. whole(): shows all there is. */
export function readable(box, { read, whole, label }) {
  box.tabIndex = 0;
  box.setAttribute("role", "group");
  box.setAttribute("aria-label", t("reading.arrow-keys-read-it-page", { label }));
  box.read = ({ cursor }) => read?.(cursor.left >= 0 ? (cursor.idx ?? null) : null);
  box.whole = whole;
  if (box.keys) return;
  box.keys = true;
  box.addEventListener("keydown", (event) => {
    const { plot } = box;
    if (!plot) return;
    const [x] = plot.data;
    if (event.key in STEPS) {
      const from = plot.cursor.left >= 0 && plot.cursor.idx !== null ? plot.cursor.idx : x.length;
      const { min, max } = plot.scales.x;
      const first = x.findIndex((value) => value >= min);
      const last = x.findLastIndex((value) => value <= max);
      const index = Math.min(last, Math.max(first, from + STEPS[event.key]));
      plot.setCursor({ left: plot.valToPos(x[index], "x"), top: 0 });
    } else if (event.key === "Home") box.whole();
    else if (event.key in AROUND) {
      const { min, max } = plot.scales.x;
      const [shift, wider] = AROUND[event.key];
      const [middle, half] = [(min + max) / 2 + shift * (max - min), (wider * (max - min)) / 2];
      box.moved(middle - half, middle + half);
      box.zoomed(middle - half, middle + half);
    } else return;
    event.preventDefault();
  });
}
