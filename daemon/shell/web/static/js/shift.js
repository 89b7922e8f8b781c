// Handing over the watch: who has it, what was done, what is next, on one sheet; and a link that lets the next person in.

import { bullets, button, buttonRow, make, muted, redraw, strong } from "./dom.js";
import { isAway } from "./alarms.js";
import { code } from "./code.js";
import { deedsOf } from "./deeds.js";
import { ask, live, put, tell } from "./live.js";
import { capital, clock, degrees, plain, span, when } from "./words.js";

const BACK = 8 * 3600; // s of marks on the sheet
const READY = ["tender", "target", "hold-limit"];

const line = (text, more = "") =>
  make("li", {}, make("span", {}, text), more ? make("span", { class: "quiet line" }, more) : "");

function nowLines(snapshot) {
  const { pit } = snapshot;
  const number = pit.celsius === null ? "cannot be read" : degrees(pit.celsius);
  return [
    line(
      `${pit.name}: ${number}, band ${degrees(pit.band.low)} to ${degrees(pit.band.high)}`,
      plain(pit.stage),
    ),
    ...snapshot.alarms
      .filter((alarm) => !isAway(alarm))
      .map((alarm) => line(`${alarm.text}, since ${clock(alarm.raised_at, snapshot)}`, plain(alarm.state))),
    ...snapshot.pieces.map((piece) =>
      line(
        `${piece.name}: ${degrees(piece.celsius)}, ${plain(piece.stage)}`,
        deedsOf(piece, snapshot).join(" "),
      ),
    ),
  ];
}

/** [engine s, text] of what is to come, soonest first. */
function coming(snapshot) {
  const { pit } = snapshot;
  const found = [];
  if (pit.log_due)
    found.push([
      pit.log_due.p50,
      `Next log (${clock(pit.log_due.p05, snapshot)} to ${clock(pit.log_due.p95, snapshot)})`,
    ]);
  for (const piece of snapshot.pieces) {
    for (const { goal, scenario, at } of piece.outlooks) {
      if (scenario !== "planned" || at === null || ![...READY, "wrap"].includes(goal)) continue;
      found.push([
        at.p50,
        `${piece.name}: ${plain(goal)} (${when(at.p05, snapshot)} to ${when(at.p95, snapshot)})`,
      ]);
    }
  }
  if (snapshot.serve_at !== null) found.push([snapshot.serve_at, "Serve"]);
  return found.sort((a, b) => a[0] - b[0]);
}

function doneLines(marks, snapshot) {
  const meat = new Map(snapshot.pieces.map((piece) => [piece.id, piece.name]));
  return [...marks]
    .reverse()
    .map(({ time, kind, piece }) =>
      line(`${when(time, snapshot)} ${capital(plain(kind))}${piece ? `, ${meat.get(piece) ?? piece}` : ""}`),
    );
}

const part = (title, lines, empty) =>
  make("div", {}, make("h3", {}, title), lines.length ? bullets(...lines) : muted(empty));

function holder(snapshot) {
  const { shift } = snapshot;
  if (shift.on_watch === null) return [make("p", {}, "Nobody is named yet.")];
  const { name, since, note } = shift.on_watch;
  return [
    make("p", {}, strong(name), ` has the watch since ${when(since, snapshot)}.`),
    note ? make("p", { class: "note" }, note) : "",
  ].filter(Boolean);
}

function handing() {
  const to = make("input", { required: true, maxlength: 40, autocomplete: "off" });
  const note = make("textarea", { rows: 2, maxlength: 400 });
  const send = async (event) => {
    event.preventDefault();
    const by = live.snapshot.shift.on_watch?.name ?? "page";
    if (
      await tell(
        "/api/hand-over",
        { to: to.value.trim(), note: note.value.trim(), by },
        `${to.value.trim()} has the watch.`,
      )
    ) {
      to.value = "";
      note.value = "";
    }
  };
  return make(
    "form",
    { class: "stack", onsubmit: send },
    make("label", {}, "Who takes over", to),
    make("label", {}, "What must be known (may stay empty)", note),
    buttonRow(make("button", { class: "main" }, "Hand over the watch")),
  );
}

function inviting() {
  const box = make("div", { class: "stack" });
  const show = async () => {
    const made = await put("/api/invite", {});
    box.replaceChildren(
      ...(made.problem
        ? [make("p", {}, made.problem)]
        : [
            code(made.code, "Code with the link that lets one more phone in"),
            muted(`Good for one phone, for ${span(made.seconds)}. It must be on the same network.`),
            make("p", { class: "link-text" }, made.link),
          ]),
    );
  };
  return make(
    "div",
    { class: "stack no-print" },
    buttonRow(
      button("Let another phone in", show),
      button("Print the sheet", () => print()),
    ),
    box,
  );
}

export function shiftRoom(root) {
  const [who, now, next, done] = [0, 1, 2, 3].map(() => make("div", { class: "stack" }));
  let [marks, askedAt] = [[], -Infinity];
  root.replaceChildren(
    make(
      "section",
      { class: "plate", "aria-label": "The watch" },
      make("h2", {}, "Who has the watch"),
      who,
      handing(),
      inviting(),
    ),
    make(
      "section",
      { class: "plate sheet", "aria-label": "Sheet" },
      make("h2", {}, "For whoever takes over"),
      now,
      next,
      done,
    ),
  );
  const paint = (snapshot) => {
    redraw(who, snapshot.shift.on_watch, () => holder(snapshot));
    redraw(now, [Math.floor(snapshot.time / 20), snapshot.alarms, snapshot.shift], () => [
      part("Now", nowLines(snapshot)),
    ]);
    redraw(next, [Math.floor(snapshot.time / 60), snapshot.serve_at], () => [
      part(
        "Next",
        coming(snapshot).map(([time, text]) => line(`${when(time, snapshot)} ${text}`)),
        "Nothing is forecast yet.",
      ),
    ]);
    redraw(done, marks, () => [part("Done", doneLines(marks, snapshot), "No mark in the last 8 hours.")]);
  };
  const update = (snapshot) => {
    if (Math.abs(snapshot.time - askedAt) >= 30) {
      askedAt = snapshot.time;
      ask(`/api/history?start=${snapshot.time - BACK}&end=${snapshot.time}&points=2`).then(
        (history) => {
          marks = history.marks;
          if (done.isConnected) paint(live.snapshot);
        },
        () => {},
      );
    }
    paint(snapshot);
  };
  return { update, tick() {} };
}
