// Each piece of meat: core, stage, forecast, what to press next, and what is known about food safety.

import {
  across,
  bullets,
  button,
  buttonRow,
  fold,
  keyed,
  make,
  muted,
  redraw,
  say,
  strong,
  table,
  buttonTwice,
} from "./dom.js";
import { deedsOf } from "./deeds.js";
import { fan, rail } from "./draw.js";
import { isForetoldBlind } from "./foretold.js";
import { live, sinceWord, tell } from "./live.js";
import { mark, whenDone } from "./marks.js";
import { spotReadings } from "./spots.js";
import {
  big,
  capital,
  clock,
  degrees,
  difference,
  inside,
  localTime,
  plain,
  qualityOf,
  shown,
  since,
  span,
  state,
  trendLines,
  unit,
  when,
} from "./words.js";
import { t } from "./texts.js";

const NEXT = {
  waiting: [["meat-on", t("pieces.meat-on")]],
  on: [["wrapped", t("pieces.wrapped")]],
  cooking: [["wrapped", t("pieces.wrapped")]],
  stall: [["wrapped", t("pieces.wrapped")]],
  "past-stall": [
    ["wrapped", t("pieces.wrapped")],
    ["probed-tender", t("pieces.probed-tender")],
  ],
  wrapped: [
    ["probed-tender", t("pieces.probed-tender")],
    ["off", t("pieces.off-the-pit")],
  ],
  "tender-range": [
    ["probed-tender", t("pieces.probed-tender")],
    ["off", t("pieces.off-the-pit")],
  ],
  off: [
    ["rest", t("pieces.resting")],
    ["hold", t("pieces.in-the-hold")],
  ],
  rest: [
    ["hold", t("pieces.in-the-hold")],
    ["serve", t("pieces.served")],
  ],
  hold: [
    ["serve", t("pieces.served")],
    ["chill", t("pieces.chilling")],
  ],
};
const NEAR_WRAP = 15; // °C under its wrap in which a piece may well be wrapped: some do it by the colour
/** What is likely said next: no wrap of a piece that is to have none, or that is far from it. */
const likely = ({ stage, wrap_at, celsius }) =>
  (NEXT[stage] ?? []).filter(
    ([kind]) =>
      kind !== "wrapped" || (wrap_at !== null && (celsius === null || celsius >= wrap_at - NEAR_WRAP)),
  );
// "Wrapped" alone means in what was planned; what a piece is truly wrapped in changes its forecast by an hour or more.
const ALL = [
  ["meat-on", t("pieces.meat-on")],
  ["wrapped", t("pieces.wrapped-in-foil"), "foil"],
  ["wrapped", t("pieces.wrapped-in-paper"), "paper"],
  ["wrapped", t("pieces.in-an-open-foil-boat"), "boat"],
  ["probed-tender", t("pieces.probed-tender")],
  ["off", t("pieces.off-the-pit")],
  ["rest", t("pieces.resting")],
  ["hold", t("pieces.in-the-hold")],
  ["chill", t("pieces.chilling")],
  ["serve", t("pieces.served")],
];
const GOALS = {
  wrap: t("pieces.wrap"),
  "stall-end": t("pieces.stall-over"),
  tender: t("pieces.tender"),
  target: t("pieces.target"),
  "rest-peak": t("pieces.peak-at-rest"),
  "hold-limit": t("pieces.hold-limit"),
  "rest-end": t("pieces.rest-over"),
};
const SCENARIOS = {
  "wrapped-now": t("pieces.if-wrapped-now"),
  "never-wrapped": t("pieces.if-never-wrapped"),
};
const TO_WRAP = ["waiting", "on", "cooking", "stall", "past-stall"];
const ASKED = "wrapped-at-"; // and the core °C the cook asked about
const CAN_BE_WRAPPED = ["on", "cooking", "stall", "past-stall", "tender-range"];

const assumption = (scenario) =>
  scenario === "pit-10-hotter"
    ? t("pieces.with-the-pit-hotter", { hotter: difference(10).slice(1) })
    : scenario.startsWith(ASKED)
      ? t("pieces.if-wrapped-at", { core: degrees(Number(scenario.slice(ASKED.length))) })
      : (SCENARIOS[scenario] ?? "");

const STALE = 25 * 60; // s: forecasts are made every 10 min, so one this old has no successor

function row(outlook, snapshot) {
  const what = make(
    "th",
    { scope: "row" },
    [
      GOALS[outlook.goal] ?? plain(outlook.goal),
      assumption(outlook.scenario),
      outlook.celsius === null ? "" : t("pieces.at-celsius", { celsius: degrees(outlook.celsius) }),
    ]
      .filter(Boolean)
      .join(" "),
  );
  if (outlook.at === null)
    return make(
      "tr",
      {},
      what,
      make("td", { colspan: 3 }, t("pieces.not-known-reason", { reason: outlook.reason })),
    );
  return make(
    "tr",
    {},
    what,
    ...[outlook.at.p05, outlook.at.p50, outlook.at.p95].map((time) => make("td", {}, when(time, snapshot))),
  );
}

/** What comes when: early, likely, late (19 times in 20 not before, as often before as after, 19 times in 20 before). */
const outlookTable = (outlooks, snapshot) =>
  table(
    [t("pieces.forecast"), t("pieces.early"), t("pieces.likely"), t("pieces.late")],
    outlooks.map((outlook) => row(outlook, snapshot)),
  );

const planOf = (piece) => piece.outlooks.filter((outlook) => outlook.scenario === "planned");

function outlooks(piece, snapshot) {
  const planned = planOf(piece);
  const known = planned.filter((outlook) => outlook.at !== null);
  const reasons = [
    ...new Set(planned.filter((outlook) => outlook.at === null).map((outlook) => outlook.reason)),
  ];
  if (planned.length === 0) return [muted(t("pieces.no-forecast-yet"))];
  if (known.length === 0 && reasons.length === 1)
    return [muted(t("pieces.no-forecast", { reasons: reasons[0] }))];
  const age = piece.forecast_at === null ? 0 : snapshot.time - piece.forecast_at;
  return [
    outlookTable(planned, snapshot),
    isForetoldBlind(piece, snapshot)
      ? state("suspect", t("pieces.this-forecast-is-blind"))
      : age > STALE
        ? state("suspect", t("pieces.this-forecast-is-old-do", { age: span(age) }))
        : muted(t("pieces.made-age-ago", { age: span(age) })),
    piece.fan.length > 1 ? fan(piece, snapshot) : null,
  ];
}

/** One line a piece, for the first look: name, core, stage, when it is ready. */
export function pieceLines(parent, snapshot) {
  parent.hidden = snapshot.pieces.length === 0;
  const nameOf = ({ pit }) => snapshot.pits.find(({ id }) => id === pit)?.name; // of several pits only
  const told = (piece) => {
    const ready =
      (piece.celsius === null && piece.channel !== null) || isForetoldBlind(piece, snapshot)
        ? undefined // nobody knows while its probe, or its pit, is not seen
        : planOf(piece)
            .filter(({ goal, at }) => ["tender", "target", "hold-limit"].includes(goal) && at !== null)
            .at(-1);
    return [
      piece.name,
      degrees(piece.celsius),
      [capital(plain(piece.stage)), nameOf(piece)].filter(Boolean).join(", "),
      ready ? `${GOALS[ready.goal].toLowerCase()} ${when(ready.at.p50, snapshot)}` : "",
    ];
  };
  redraw(parent, null, () =>
    snapshot.pieces.map((piece) => {
      const [name, core, stage, ready] = told(piece);
      return make(
        "p",
        { class: "line-of-piece" },
        strong(name),
        make("span", { class: "num" }, core),
        make("span", {}, stage),
        make("span", { class: "quiet" }, ready),
      );
    }),
  );
}

/** It lasts as the card does: an open list, and a number half typed, stay. */
function whatIf(first) {
  const list = make("div", {});
  const core = make("input", { type: "number", inputmode: "numeric", min: shown(30), max: shown(100) });
  if (first.asked_wrap !== null) core.value = Math.round(shown(first.asked_wrap));
  const form = make(
    "form",
    {
      onsubmit: (event) => {
        event.preventDefault();
        const celsius = core.value === "" ? null : inside(Number(core.value));
        tell(
          "/api/ask-wrap",
          { piece: first.id, celsius },
          celsius === null ? t("pieces.asked-no-longer") : t("pieces.asked-the-answer-comes"),
        );
      },
    },
    make(
      "div",
      { class: "fields" },
      make("label", {}, t("pieces.wrapped-at", { unit: unit() }), core),
      make("button", {}, t("pieces.ask")),
    ),
    muted(t("pieces.leave-empty-to-stop")),
  );
  const node = fold(t("pieces.what-if"), list, form);
  const update = (piece, snapshot) => {
    const others = piece.outlooks.filter(
      ({ scenario, at }) => scenario !== "planned" && (at !== null || scenario.startsWith(ASKED)),
    );
    form.hidden = piece.wrapped_at !== null || !CAN_BE_WRAPPED.includes(piece.stage);
    node.hidden = form.hidden && others.length === 0;
    redraw(list, null, () => (others.length ? [outlookTable(others, snapshot)] : []));
  };
  return { node, update };
}

/** Cooking begins for people when the meat goes on, for the watch when the core begins to climb. */
const begun = ({ stage, since, on_at }) => (["on", "cooking"].includes(stage) ? (on_at ?? since) : since);

function face(piece, channel, snapshot) {
  const zones =
    piece.tender_low === null || piece.tender_high === null
      ? []
      : [[piece.tender_low, piece.tender_high, "tender"]];
  const wrapAt = TO_WRAP.includes(piece.stage) ? piece.wrap_at : null;
  const marks = [
    [wrapAt, "wrapat"],
    [piece.target, "wrapat"],
  ].filter(([celsius]) => celsius !== null);
  const told = [
    wrapAt === null ? "" : t("pieces.wrap-from-wrap-at", { wrap_at: degrees(wrapAt) }),
    piece.tender_low === null
      ? ""
      : t("pieces.tender-tender-low-to", {
          tender_low: degrees(piece.tender_low),
          tender_high: degrees(piece.tender_high),
        }),
    piece.target === null ? "" : t("pieces.target-target", { target: degrees(piece.target) }),
  ]
    .filter(Boolean)
    .join(", ");
  return [
    across(
      make("h2", {}, piece.name),
      make("strong", { class: "hot" }, `${capital(plain(piece.stage))}${since(begun(piece), snapshot)}`),
    ),
    across(
      big(piece.celsius, "mid"),
      make(
        "div",
        { class: "trend" },
        make("p", { class: "num" }, ...trendLines(piece.celsius === null ? null : piece.rate)),
        channel ? state(...qualityOf(channel)) : "",
      ),
    ),
    rail(
      Math.min(30, piece.celsius ?? 30),
      100,
      zones,
      marks,
      piece.celsius,
      told || t("pieces.core-celsius", { celsius: degrees(piece.celsius) }),
    ),
    muted(capital(told)),
    ["on", "cooking"].includes(piece.stage) && piece.stall_probability > 0.5
      ? make(
          "p",
          {},
          t("pieces.stall-likely", { stall_probability: Math.round(100 * piece.stall_probability) }),
        )
      : null,
    piece.question ? make("p", { class: "suspect" }, piece.question) : null,
    ...outlooks(piece, snapshot),
  ];
}

function safetyFace(piece, snapshot) {
  const safety = piece.safety;
  const clockLine =
    safety.hold_left_seconds === null
      ? null
      : make(
          "p",
          { class: "num bad" },
          t("pieces.hold-clock-left-below", { hold_left_seconds: span(safety.hold_left_seconds) }),
        );
  const cooling =
    safety.cooling_left_seconds === null
      ? null
      : make(
          "p",
          { class: "num" },
          t("pieces.cooling-left", {
            cooling_stage: safety.cooling_stage,
            cooling_left_seconds: span(safety.cooling_left_seconds),
          }),
        );
  return [
    clockLine,
    cooling,
    fold(
      t("pieces.food-safety-what-is"),
      bullets(
        make(
          "li",
          {},
          safety.safe_minimum_reached_at === null
            ? t("pieces.safe-minimum-at-the")
            : t("pieces.safe-minimum-at-the-2", {
                safe_minimum_reached_at: clock(safety.safe_minimum_reached_at, snapshot),
              }),
        ),
        safety.lethality_rule
          ? make(
              "li",
              {},
              t("pieces.share-of-the-lethality", {
                share: Math.round(100 * Math.min(9.99, safety.lethality_fraction)),
                rule: safety.lethality_rule,
              }),
            )
          : null,
        make(
          "li",
          {},
          t("pieces.on-the-way-up-for-worth", {
            come_up_seconds: span(safety.come_up_seconds),
            come_up_limit: span(safety.come_up_limit),
          }),
        ),
        safety.below_floor_seconds > 0
          ? make(
              "li",
              {},
              t("pieces.below-the-hold-floor-for", { below_floor_seconds: span(safety.below_floor_seconds) }),
            )
          : null,
        ...deedsOf(piece, snapshot).map((text) => make("li", {}, text)),
        ...safety.notes.map((note) => make("li", {}, note)),
      ),
      muted(t("pieces.one-probe-sees-one-spot")),
    ),
  ];
}

/** A serving time of its own, another probe for this piece, or the end of its place in the cook. */
function changing(first) {
  const serve = make("input", { type: "datetime-local" });
  const meal = button(t("pieces.set-the-serving-time"), () =>
    tell(
      "/api/change-piece",
      { piece: first.id, serve_at: serve.value || false },
      t("pieces.serving-time-sent"),
    ),
  );
  const probe = make("select", {});
  const move = button(t("pieces.read-by-this-probe"), () =>
    tell(
      "/api/move-probe",
      { piece: first.id, channel: probe.value || null },
      t("pieces.asked-whoever-had-that"),
    ),
  );
  const remove = buttonTwice(t("pieces.remove-from-this-cook"), t("pieces.press-again-to-remove-it"), () =>
    tell(
      "/api/remove-piece",
      { piece: first.id, sure: true },
      t("pieces.is-removed-from-this", { name: first.name }),
    ),
  );
  const node = fold(
    t("pieces.probe-or-remove"),
    make("label", {}, t("start.served-at-its-own-time"), serve),
    buttonRow(meal),
    make("label", {}, t("pieces.probe-in-this-piece"), probe),
    buttonRow(move, remove),
  );
  let own = null;
  node.addEventListener("toggle", () => {
    serve.value = own === null ? "" : localTime(own, live.snapshot);
  });
  const update = (piece, snapshot) => {
    own = piece.ordered?.serve_at ?? null;
    const meat = snapshot.channels.filter((channel) => channel.role === "meat");
    redraw(probe, null, () => [
      ...meat.map(({ id, name }) => make("option", { value: id, selected: id === piece.channel }, name)),
      make("option", { value: "", selected: piece.channel === null }, t("pieces.none-it-is-read-by-hand")),
    ]);
  };
  return { node, update };
}

function card(first) {
  const [done, moving, spots] = [whenDone(), changing(first), spotReadings(first)];
  const [top, buttons, safety, age] = [
    make("div", { class: "stack" }),
    buttonRow(),
    make("div", {}),
    muted(),
  ];
  const asking = whatIf(first);
  const node = make(
    "section",
    { class: "plate", "aria-label": first.name },
    top,
    age,
    buttons,
    make(
      "div",
      { class: "folds" },
      fold(
        t("pieces.all-marks"),
        buttonRow(...ALL.map(([kind, text, note]) => mark(kind, text, first.id, {}, note, done.choice))),
        done.node,
      ),
      spots.node,
      moving.node,
      asking.node,
    ),
    safety,
  );
  let latest = null;
  const tick = () => {
    const channel = live.snapshot.channels.find((c) => c.id === latest.channel);
    const [spot] = latest.spots;
    if (latest.channel === null)
      say(
        age,
        spot
          ? t("pieces.no-probe-of-its-own-read", {
              celsius: degrees(spot.celsius),
              at: clock(spot.at, live.snapshot),
            })
          : t("pieces.no-probe-of-its-own-read-2"),
      );
    else
      say(
        age,
        !channel || channel.age === null
          ? t("pieces.probe-never-read", { channel: latest.channel })
          : t("pieces.name-read-age-ago", { name: channel.name, age: span(channel.age + sinceWord()) }),
      );
  };
  const update = (piece) => {
    latest = piece;
    const snapshot = live.snapshot;
    const channel = snapshot.channels.find((c) => c.id === piece.channel);
    redraw(top, null, () => face(piece, channel, snapshot));
    asking.update(piece, snapshot);
    moving.update(piece, snapshot);
    spots.update(piece, snapshot);
    redraw(buttons, null, () =>
      likely(piece).map(([kind, text], index) =>
        mark(kind, text, piece.id, index === 0 ? { class: "main" } : {}),
      ),
    );
    redraw(safety, null, () => {
      const open = safety.querySelector("details")?.open;
      const parts = safetyFace(piece, snapshot);
      if (open) parts.at(-1).open = true;
      return parts;
    });
    tick();
  };
  return { node, update, tick };
}

export function pieces(parent, snapshot) {
  keyed(parent, snapshot.pieces, (piece) => piece.id, card);
}
export const tickPieces = (parent) => {
  for (const part of parent?.kept?.values() ?? []) part.tick();
};
