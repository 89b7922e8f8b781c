// The wood that is left, and the tray under the meat.

import { button, buttonRow, make, muted, redraw, strong } from "./dom.js";
import { tell } from "./live.js";
import { span, state, when } from "./words.js";

function woodFace({ wood }, snapshot) {
  if (wood.left === null)
    return [make("p", {}, `${wood.used} splits used. Count what is at hand, and it says when they run out.`)];
  const lines = [
    make("p", {}, strong(`${wood.left} splits left`), `, one every ${span(wood.pace)}; ${wood.used} used.`),
  ];
  if (wood.runs_out !== null)
    lines.push(state(wood.short ? "bad" : "good", `They last until ${when(wood.runs_out, snapshot)}`));
  if (wood.needed_until !== null)
    lines.push(muted(`Needed until about ${when(wood.needed_until.p50, snapshot)}.`));
  return lines;
}

const trayFace = ({ grease }) =>
  grease === null || grease.share === null
    ? []
    : [
        make("p", {}, `Grease tray: about ${Math.round(100 * grease.share)} % full, an estimate.`),
        buttonRow(
          button("The tray was emptied", () =>
            tell("/api/reminder-done", { reminder: "grease-tray" }, "The tray counts from empty again."),
          ),
        ),
      ];

export function wood() {
  const [face, tray] = [make("div", { class: "stack" }), make("div", { class: "stack" })];
  const count = make("input", {
    type: "number",
    inputmode: "numeric",
    min: "0",
    max: "2000",
    required: true,
  });
  const send = (event) => {
    event.preventDefault();
    tell("/api/count-wood", { splits: Number(count.value) }, `${count.value} splits are at hand.`);
  };
  const node = make(
    "section",
    { class: "plate", "aria-label": "Wood" },
    make("h2", {}, "Wood"),
    face,
    make(
      "form",
      { onsubmit: send },
      make(
        "div",
        { class: "fields" },
        make("label", {}, "Splits at hand now", count),
        make("button", {}, "Count them"),
      ),
    ),
    tray,
  );
  const update = (snapshot) => {
    node.hidden = snapshot.wood === null || snapshot.pieces.length === 0;
    redraw(face, [snapshot.wood, Math.floor(snapshot.time / 60)], () =>
      snapshot.wood === null ? [] : woodFace(snapshot, snapshot),
    );
    redraw(tray, snapshot.grease, () => trayFace(snapshot));
  };
  return { node, update };
}
