// Handing over the watch: who has it, what was done, what is next, on one sheet; and a link that lets the next person in.

import { bullets, button, buttonRow, make, muted, redraw, strong } from "./dom.js";
import { isAway } from "./alarms.js";
import { code } from "./code.js";
import { deedsOf } from "./deeds.js";
import { ask, live, put, tell } from "./live.js";
import { allPits, isOld, lowWord } from "./pits.js";
import { capital, clock, degrees, plain, span, when } from "./words.js";
import { t } from "./texts.js";

const BACK = 8 * 3600; // s of marks on the sheet
const READY = ["tender", "target", "hold-limit"];

const line = (text, more = "") =>
  make("li", {}, make("span", {}, text), more ? make("span", { class: "quiet line" }, more) : "");

function nowLines(snapshot) {
  const { pit } = snapshot;
  const number = pit.celsius === null ? t("shift.cannot-be-read") : degrees(pit.celsius);
  return [
    line(
      t("shift.name-number-band-low-to", {
        name: pit.name,
        number,
        low: degrees(pit.band.low),
        high: degrees(pit.band.high),
      }),
      plain(pit.stage),
    ),
    ...snapshot.alarms
      .filter((alarm) => !isAway(alarm))
      .map((alarm) =>
        line(
          t("shift.text-since-raised-at", { text: alarm.text, raised_at: clock(alarm.raised_at, snapshot) }),
          plain(alarm.state),
        ),
      ),
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
  const found = [];
  for (const pit of allPits(snapshot)) {
    if (!pit.log_due || pit.feed_at === null || isOld(pit, snapshot.time)) continue;
    const text = t("shift.next-log-to", { low: lowWord(pit, snapshot) });
    found.push([pit.feed_at, snapshot.pits.length > 0 ? `${pit.name}: ${text}` : text]);
  }
  for (const piece of snapshot.pieces) {
    for (const { goal, scenario, at } of piece.outlooks) {
      if (scenario !== "planned" || at === null || ![...READY, "wrap"].includes(goal)) continue;
      found.push([
        at.p50,
        t("shift.name-goal-p05-to-p95", {
          name: piece.name,
          goal: plain(goal),
          p05: when(at.p05, snapshot),
          p95: when(at.p95, snapshot),
        }),
      ]);
    }
  }
  if (snapshot.serve_at !== null) found.push([snapshot.serve_at, t("shift.serve")]);
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
  if (shift.on_watch === null) return [make("p", {}, t("shift.nobody-is-named-yet"))];
  const { name, since, note } = shift.on_watch;
  return [
    make("p", {}, strong(name), t("shift.has-the-watch-since", { since: when(since, snapshot) })),
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
        t("shift.has-the-watch", { name: to.value.trim() }),
      )
    ) {
      to.value = "";
      note.value = "";
    }
  };
  return make(
    "form",
    { class: "stack", onsubmit: send },
    make("label", {}, t("shift.who-takes-over"), to),
    make("label", {}, t("shift.what-must-be-known-may"), note),
    buttonRow(make("button", { class: "main" }, t("shift.hand-over-the-watch"))),
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
            code(made.code, t("shift.code-with-the-link-that")),
            muted(t("shift.good-for-one-phone-for", { seconds: span(made.seconds) })),
            make("p", { class: "link-text" }, made.link),
          ]),
    );
  };
  return make(
    "div",
    { class: "stack no-print" },
    buttonRow(
      button(t("shift.let-another-phone-in"), show),
      button(t("shift.print-the-sheet"), () => print()),
    ),
    box,
  );
}

export function shiftRoom(root) {
  const [who, now, next, done] = [0, 1, 2, 3].map(() => make("div", { class: "stack" }));
  let [marks, askedAt] = [[], -Infinity];
  root.className = "halves";
  root.replaceChildren(
    make(
      "section",
      { class: "plate", "aria-label": t("shift.the-watch") },
      make("h2", {}, t("shift.who-has-the-watch")),
      who,
      handing(),
      inviting(),
    ),
    make(
      "section",
      { class: "plate sheet", "aria-label": t("shift.sheet") },
      make("h2", {}, t("shift.for-whoever-takes-over")),
      now,
      next,
      done,
    ),
  );
  const paint = (snapshot) => {
    redraw(who, null, () => holder(snapshot));
    redraw(now, null, () => [part(t("shift.now"), nowLines(snapshot))]);
    redraw(next, null, () => [
      part(
        t("shift.next"),
        coming(snapshot).map(([time, text]) => line(`${when(time, snapshot)} ${text}`)),
        t("shift.nothing-is-forecast-yet"),
      ),
    ]);
    redraw(done, null, () => [
      part(t("shift.done"), doneLines(marks, snapshot), t("shift.no-mark-in-the-last-8")),
    ]);
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
