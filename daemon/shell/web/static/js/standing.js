// Ahead or behind the serving time, and what still helps: every remedy beside doing nothing.

import { across, make, muted, strong } from "./dom.js";
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

/** How the cook stands to its serving time, as words and how good that is: the one answer, whoever shows it. */
export function course({ ahead, chance }) {
  const unlikely = chance !== null && chance < 0.5;
  if (Math.abs(ahead) < ON_COURSE) return [unlikely ? "suspect" : "good", "on course"];
  if (ahead > 0) return ["good", `${span(ahead)} ahead`];
  return [unlikely || chance === null ? "bad" : "suspect", `${span(-ahead)} behind`];
}

export function verdict(standing) {
  const { ahead, chance } = standing;
  const likely = chance === null ? "chance not known yet" : `${percent(chance)} likely in time`;
  return make(
    "p",
    { class: "row" },
    ahead === null ? state("quiet", "ahead or behind: not known yet") : state(...course(standing)),
    make("span", {}, likely),
  );
}

const OLD = 300; // s: the fire is foretold anew each minute
/** What was foretold of the fire has no successor: the pit is not read. */
export const isOld = ({ pit, time }) =>
  pit.log_due !== null && pit.forecast_made_at !== null && time - pit.forecast_made_at > OLD;

function remedyRow(remedy, snapshot) {
  const meter = make("i", {});
  meter.style.width = `${Math.round(100 * remedy.chance)}%`;
  const gain =
    remedy.action === "none" ? "" : remedy.gain > 60 ? `, ${span(remedy.gain)} sooner` : ", no sooner";
  return make(
    "li",
    { class: "remedy" },
    across(strong(REMEDIES[remedy.action]()), make("span", { class: "num" }, percent(remedy.chance))),
    make("div", { class: "meter", "aria-hidden": "true" }, meter),
    muted(`Done ${clock(remedy.off.p50, snapshot)}${gain}${remedy.rough ? "; a rough figure" : ""}`),
  );
}

export const isBehind = (standing) => (standing?.ahead ?? 0) < -ON_COURSE;

/** open: as the reader left the list of remedies; undefined = open when behind. told: the plan has said already how it stands. */
export function standingFace(snapshot, open, told = false) {
  if (snapshot.serve_at === null) return [];
  const head = across(
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
  return [
    make(
      "section",
      { class: "plate", "aria-label": "Serving" },
      head,
      told ? null : verdict(standing),
      standing.unknown.length
        ? muted(`No forecast yet for ${standing.unknown.map((id) => names.get(id) ?? id).join(", ")}.`)
        : null,
      groups.size === 0
        ? null
        : make(
            "details",
            { open: open ?? isBehind(standing) },
            make("summary", {}, "What would help"),
            muted("Chance of serving in time, for each thing you may do."),
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
