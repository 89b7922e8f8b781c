// What was said in this cook, and taking one of it back.

import { across, bullets, button, make, redraw } from "./dom.js";
import { tell } from "./live.js";
import { capital, clock, plain } from "./words.js";

const word = (what) => (what === "spot" ? "core read by hand" : plain(what));

export function saidMarks() {
  const list = make("div", {});
  const node = make("details", { class: "plate" }, make("summary", {}, "What you said, and take back"), list);
  const row = ({ what, piece, at, said_at }, snapshot) => {
    const meat = snapshot.pieces.find(({ id }) => id === piece)?.name ?? piece;
    const text = `${clock(at, snapshot)} ${capital(word(what))}${meat ? `, ${meat}` : ""}`;
    return make(
      "li",
      {},
      across(
        make("span", {}, text),
        button("Take back", () =>
          tell(
            "/api/take-back",
            { what, said_at, ...(piece ? { piece } : {}) },
            `Taken back: ${word(what)}. Mark it anew if only its time was wrong.`,
          ),
        ),
      ),
    );
  };
  const update = (snapshot) => {
    const { marks } = snapshot;
    node.hidden = marks.length === 0;
    redraw(list, [marks, snapshot.pieces.length], () => bullets(...marks.map((mark) => row(mark, snapshot))));
  };
  return { node, update };
}
