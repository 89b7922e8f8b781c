// Cores read by hand: of a piece without a probe, or to check one. And whose reading a handheld probe shows.

import { across, bullets, button, find, fold, make, muted, redraw } from "./dom.js";
import { tell } from "./live.js";
import { whenDone } from "./marks.js";
import { clock, degrees, inside, shown, unit } from "./words.js";
import { t } from "./texts.js";

const takeBack = (piece, spot) =>
  button(t("spots.take-back"), () =>
    tell(
      "/api/take-back",
      { what: "spot", piece, said_at: spot.said_at },
      t("spots.taken-back-as-if-it-had"),
    ),
  );

const line = (piece, spot, snapshot) =>
  make(
    "li",
    {},
    across(
      make(
        "span",
        {},
        `${clock(spot.at, snapshot)} ${degrees(spot.celsius)}${spot.where ? `, ${spot.where}` : ""}`,
      ),
      takeBack(piece.id, spot),
    ),
  );

/** It lasts as the card of the piece does, so that a number half typed stays. */
export function spotReadings(first) {
  const list = make("div", {});
  const core = make("input", {
    type: "number",
    inputmode: "decimal",
    step: "any",
    required: true,
    min: Math.floor(shown(-20)),
    max: Math.ceil(shown(120)),
  });
  const where = make("input", { maxlength: 80 });
  const done = whenDone(t("spots.read"));
  const send = async (event) => {
    event.preventDefault();
    const order = {
      piece: first.id,
      celsius: inside(Number(core.value)),
      ...(where.value.trim() ? { where: where.value.trim() } : {}),
      ...(Number(done.choice.value) ? { minutes_ago: Number(done.choice.value) } : {}),
    };
    if (
      await tell("/api/spot", order, t("spots.read-the-next-forecast", { value: core.value, unit: unit() }))
    ) {
      core.value = "";
      done.choice.value = "0";
    }
  };
  const node = fold(
    t("spots.read-by-hand"),
    list,
    make(
      "form",
      { class: "stack", onsubmit: send },
      make(
        "div",
        { class: "fields" },
        make("label", {}, t("spots.core-unit", { unit: unit() }), core),
        make("label", {}, t("spots.where-may-stay-empty"), where),
        done.node,
        make("button", {}, t("spots.keep-the-reading")),
      ),
    ),
  );
  let wasAsked = false;
  const update = (piece, snapshot) => {
    if (piece.channel === null && !wasAsked) node.open = true; // without a probe this is how it is followed
    wasAsked = piece.channel === null;
    redraw(list, piece.spots, () =>
      piece.spots.length
        ? bullets(...piece.spots.map((spot) => line(piece, spot, snapshot)))
        : muted(t("spots.nothing-was-read-by-hand")),
    );
  };
  return { node, update };
}

/** A handheld probe has come to rest: of which piece is it? */
export function handheldAsks(snapshot) {
  const { handheld, pieces } = snapshot;
  redraw(
    find("handheld"),
    pieces.map(({ id }) => id),
    () =>
      !handheld || handheld.celsius === null
        ? []
        : [
            make(
              "section",
              { class: "plate small", "aria-label": t("spots.handheld-probe") },
              make("h2", {}, t("spots.the-handheld-probe-reads", { celsius: degrees(handheld.celsius) })),
              make(
                "div",
                { class: "buttons tight" },
                ...pieces.map((piece) =>
                  button(piece.name, () =>
                    tell(
                      "/api/choose-spot",
                      { piece: piece.id },
                      t("spots.kept-for-name", { name: piece.name }),
                    ),
                  ),
                ),
              ),
            ),
          ],
  );
}
