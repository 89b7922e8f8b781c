// What was said in this cook, and taking one of it back.

import { across, bullets, button, make, redraw } from "./dom.js";
import { tell } from "./live.js";
import { capital, clock, plain } from "./words.js";
import { t } from "./texts.js";

const word = (what) => (what === "spot" ? t("said.core-read-by-hand") : plain(what));

export function saidMarks() {
  const list = make("div", {});
  const node = make(
    "details",
    { class: "plate" },
    make("summary", {}, t("said.what-you-said-and-take")),
    list,
  );
  const row = ({ what, piece, at, said_at, pit }, snapshot) => {
    const of = snapshot.pits.find(({ id }) => id === pit)?.name;
    const meat = snapshot.pieces.find(({ id }) => id === piece)?.name ?? piece ?? of;
    const text = `${clock(at, snapshot)} ${capital(word(what))}${meat ? `, ${meat}` : ""}`;
    return make(
      "li",
      {},
      across(
        make("span", {}, text),
        button(t("said.take-back"), () =>
          tell(
            "/api/take-back",
            { what, said_at, ...(piece ? { piece } : {}), ...(pit ? { pit } : {}) },
            t("said.taken-back-mark-it-anew", { word: word(what) }),
          ),
        ),
      ),
    );
  };
  const update = (snapshot) => {
    const { marks } = snapshot;
    node.hidden = marks.length === 0;
    redraw(list, marks, () => bullets(...marks.map((mark) => row(mark, snapshot))));
  };
  return { node, update };
}
