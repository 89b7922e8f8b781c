// Ahead or behind the serving time, and what still helps: every remedy beside doing nothing.

import { make } from "./dom.js";
import { clock, difference, span, state } from "./words.js";

const ON_COURSE = 10 * 60; // s: nobody serves to the minute
const REMEDIES = {
  none: () => "Go on as now",
  raise: () => `Pit ${difference(10).slice(1)} hotter`,
  wrap: () => "Wrap it now",
  oven: () => "Wrapped, into the oven",
};
const percent = (chance) =>
  chance > 0.995 ? "over 99 %" : chance < 0.005 ? "under 1 %" : `${Math.round(100 * chance)} %`;

function verdict({ ahead, chance }) {
  if (ahead === null) return state("quiet", "ahead or behind: not known yet");
  if (Math.abs(ahead) < ON_COURSE)
    return state(chance !== null && chance < 0.5 ? "suspect" : "good", "on course");
  return ahead > 0
    ? state("good", `${span(ahead)} ahead`)
    : state(chance !== null && chance >= 0.5 ? "suspect" : "bad", `${span(-ahead)} behind`);
}

function remedyRow(remedy, snapshot) {
  const meter = make("i", {});
  meter.style.width = `${Math.round(100 * remedy.chance)}%`;
  const gain =
    remedy.action === "none" ? "" : remedy.gain > 60 ? `, ${span(remedy.gain)} sooner` : ", no sooner";
  return make(
    "li",
    { class: "remedy" },
    make(
      "div",
      { class: "row" },
      make("strong", {}, REMEDIES[remedy.action]()),
      make("span", { class: "num" }, percent(remedy.chance)),
    ),
    make("div", { class: "meter", "aria-hidden": "true" }, meter),
    make(
      "p",
      { class: "quiet" },
      `Done ${clock(remedy.off.p50, snapshot)}${gain}${remedy.rough ? "; a rough figure" : ""}`,
    ),
  );
}

export const isBehind = (standing) => (standing?.ahead ?? 0) < -ON_COURSE;

/** open: as the reader left the list of remedies; undefined = open when behind. told: the plan has said already how it stands. */
export function standingFace(snapshot, open, told = false) {
  if (snapshot.serve_at === null) return [];
  const head = make(
    "div",
    { class: "row" },
    make("h2", {}, snapshot.cook_name),
    told ? "" : make("strong", { class: "num" }, `serve ${clock(snapshot.serve_at, snapshot)}`),
  );
  const standing = snapshot.standing;
  if (standing === null) return [make("section", { class: "plate", "aria-label": "Serving" }, head)];
  const names = new Map(snapshot.pieces.map((piece) => [piece.id, piece.name]));
  const groups = new Map(
    snapshot.pieces
      .map((piece) => [piece.id, standing.remedies.filter((remedy) => remedy.piece === piece.id)])
      .filter(([, own]) => own.length),
  );
  const chance =
    standing.chance === null ? "chance not known yet" : `${percent(standing.chance)} likely in time`;
  return [
    make(
      "section",
      { class: "plate", "aria-label": "Serving" },
      head,
      told ? null : make("p", { class: "row" }, verdict(standing), make("span", {}, chance)),
      standing.unknown.length
        ? make(
            "p",
            { class: "quiet" },
            `No forecast yet for ${standing.unknown.map((id) => names.get(id) ?? id).join(", ")}.`,
          )
        : null,
      groups.size === 0
        ? null
        : make(
            "details",
            { open: open ?? isBehind(standing) },
            make("summary", {}, "What would help"),
            make("p", { class: "quiet" }, "Chance of serving in time, for each thing you may do."),
            ...[...groups].map(([piece, remedies]) =>
              make(
                "div",
                {},
                make("h3", {}, names.get(piece) ?? piece),
                make("ul", { class: "remedies" }, ...remedies.map((remedy) => remedyRow(remedy, snapshot))),
              ),
            ),
          ),
    ),
  ];
}
