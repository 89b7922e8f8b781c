// The wood that is left, and the tray under the meat.

import { button, buttonRow, make, muted, redraw, strong } from "./dom.js";
import { tell } from "./live.js";
import { span, state, when } from "./words.js";
import { t } from "./texts.js";

function woodFace({ wood }, snapshot) {
  if (wood.left === null) return [make("p", {}, t("wood.splits-used-count-what", { used: wood.used }))];
  const lines = [
    make(
      "p",
      {},
      strong(t("wood.splits-left", { left: wood.left })),
      t("wood.one-every-used", { pace: span(wood.pace), used: wood.used }),
    ),
  ];
  if (wood.runs_out !== null) {
    const told = t("wood.they-last-until", { runs_out: when(wood.runs_out, snapshot) });
    // whether that is long enough is not known before all the meat is foretold
    const known = wood.short || wood.all_known;
    lines.push(known ? state(wood.short ? "bad" : "good", told) : make("p", {}, told));
  }
  if (wood.needed_until !== null)
    lines.push(muted(t("wood.needed-until-about", { p50: when(wood.needed_until.p50, snapshot) })));
  return lines;
}

/** One tray; name: of its pit, "" where there is only one. */
const trayFace = ({ grease, name, reminder }) =>
  grease === null || grease.share === null
    ? []
    : [
        make(
          "p",
          {},
          name && strong(`${name}: `),
          t("wood.grease-tray-about-full", { share: Math.round(100 * grease.share) }),
        ),
        buttonRow(
          button(
            name ? t("wood.the-tray-of-was-emptied", { pit: name }) : t("wood.the-tray-was-emptied"),
            () => tell("/api/reminder-done", { reminder }, t("wood.the-tray-counts-from")),
          ),
        ),
      ];

const trays = ({ grease, pits }) =>
  pits.length === 0
    ? trayFace({ grease, name: "", reminder: "grease-tray" })
    : pits.flatMap((pit) => trayFace({ ...pit, reminder: `grease-tray/${pit.id}` }));

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
    tell(
      "/api/count-wood",
      { splits: Number(count.value) },
      t("wood.splits-are-at-hand", { splits: count.value }),
    );
  };
  const node = make(
    "section",
    { class: "plate", "aria-label": t("wood.wood") },
    make("h2", {}, t("wood.wood")),
    face,
    make(
      "form",
      { onsubmit: send },
      make(
        "div",
        { class: "fields" },
        make("label", {}, t("wood.splits-at-hand-now"), count),
        make("button", {}, t("wood.count-them")),
      ),
    ),
    tray,
  );
  const update = (snapshot) => {
    node.hidden = snapshot.wood === null || snapshot.pieces.length === 0;
    redraw(face, null, () => (snapshot.wood === null ? [] : woodFace(snapshot, snapshot)));
    redraw(tray, null, () => trays(snapshot));
  };
  return { node, update };
}
