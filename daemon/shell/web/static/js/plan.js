// The plan on the page: its times beside what is likely now, ahead or behind, the wait in the hold, wood and reminders.

import { across, button, buttonRow, fold, make, muted, redraw, say, table } from "./dom.js";
import { live, put, toast } from "./live.js";
import { reminders } from "./reminders.js";
import { standingFace, verdict } from "./standing.js";
import {
  between,
  capital,
  clock,
  degrees,
  inside,
  mass,
  massUnit,
  plain,
  span,
  speed,
  state,
  unit,
  when,
  wind,
  windUnit,
} from "./words.js";
import { wood } from "./wood.js";
import { t } from "./texts.js";

const STEPS = {
  light: t("plan.light-the-fire"),
  prepare: t("plan.prepare"),
  "put-on": t("plan.put-on"),
  wrap: t("plan.wrap"),
  probe: t("plan.probe-for-tender"),
  off: t("plan.take-off"),
  hold: t("plan.into-the-hold"),
  serve: t("plan.serve"),
  chill: t("plan.chill"),
};
const WORTH_SAYING = 3600; // s

function stepRow({ kind, piece, pit, planned, at, done }, names, snapshot) {
  const spread =
    at.p95 - at.p05 > 120 ? make("small", { class: "line" }, between(at.p05, at.p95, snapshot)) : "";
  const word = STEPS[kind] ?? capital(plain(kind));
  const of = piece ?? pit;
  return make(
    "tr",
    {},
    make("th", { scope: "row" }, of ? `${word}: ${names.get(of) ?? of}` : word),
    make("td", {}, when(planned, snapshot)),
    make(
      "td",
      {},
      done ? state("good", clock(at.p50, snapshot)) : when(at.p50, snapshot),
      done ? "" : spread,
    ),
  );
}

/** How long each piece waits, hot, between its rest and being served; where, and under which rule. */
function waits({ waits, hold }, names, channels) {
  const where = channels.find(({ id }) => id === hold.channel)?.name;
  const [floor, rule] = [degrees(hold.floor), hold.rule];
  const lines = waits
    .filter(({ seconds }) => seconds >= WORTH_SAYING)
    .map(({ piece, seconds }) =>
      make("p", {}, t("plan.waits", { name: names.get(piece) ?? piece, time: span(seconds) })),
    );
  if (lines.length > 0)
    lines.push(
      muted(where ? t("plan.held-in", { where, floor, rule }) : t("plan.held-in-a-box", { floor, rule })),
    );
  return lines;
}

/** Whether the meat is enough for the guests. */
function guests({ guests: come, feeds, raw }) {
  if (come === null || feeds === null) return [];
  const kind = feeds < come ? "bad" : "good";
  const amount = `${mass(raw).toFixed(1)} ${massUnit()}`;
  return [
    state(kind, feeds < come ? t("plan.enough-for", { feeds, come }) : t("plan.enough", { feeds, come })),
    feeds < come ? make("p", {}, t("plan.it-would-take", { come, amount })) : "",
    muted(t("plan.by-the-yields")),
  ];
}

/** What it was made for. */
const madeFor = (plan) =>
  plan.ambient === null
    ? []
    : [muted(t("plan.made-for", { ambient: degrees(plan.ambient), wind: wind(plan.wind) }))];

function kept(snapshot) {
  const { plan } = snapshot;
  const names = new Map([...snapshot.pits, ...snapshot.pieces].map(({ id, name }) => [id, name]));
  return [
    plan.ahead === null ? state("good", t("plan.everything-is-off")) : verdict(plan),
    table(
      [t("plan.step"), t("plan.planned"), t("plan.now-likely")],
      plan.steps.map((step) => stepRow(step, names, snapshot)),
      { tabindex: "0", role: "region", "aria-label": t("plan.times-of-the-plan") },
    ),
    ...waits(plan, names, snapshot.channels),
    ...guests(plan),
    ...madeFor(plan),
    muted(plan.wake ? t("plan.its-hours-to-light-and") : t("plan.it-calls-by-day-only-set")),
  ];
}

function none(snapshot) {
  if (snapshot.pieces.length === 0)
    return [
      make("p", {}, t("plan.no-cook-is-set-up-a-plan")),
      buttonRow(make("a", { class: "button main", href: "#cooks/start" }, t("plan.set-up-a-cook"))),
    ];
  if (snapshot.serve_at === null) return [make("p", {}, t("plan.this-cook-has-no-serving"))];
  return [make("p", {}, t("plan.no-plan-is-kept-a-kept"))];
}

/** Plans the running cook anew with the weather that is given. */
function keeping() {
  const outside = make("input", { type: "number", inputmode: "decimal", step: "any" });
  const blowing = make("input", { type: "number", inputmode: "decimal", step: "any", min: "0" });
  const wake = make("input", { type: "checkbox" });
  wake.checked = true;
  const said = make("div", { class: "stack", role: "status" });
  const send = async (event) => {
    event.preventDefault();
    said.replaceChildren(make("p", {}, t("plan.planning-takes-a-few")));
    const weather = outside.value === "" ? {} : { ambient: inside(Number(outside.value)) };
    if (blowing.value !== "") weather.wind = speed(blowing.value);
    const made = await put("/api/keep-plan", { wake: wake.checked, ...weather });
    said.replaceChildren(...(made.problem ? [made.problem] : made.lines).map((line) => make("p", {}, line)));
  };
  const drop = button(t("plan.drop-the-plan"), async () => {
    const made = await put("/api/drop-plan", {});
    toast(made.problem ?? t("plan.there-is-no-plan-any"));
  });
  const form = fold(
    t("plan.plan-it"),
    make(
      "form",
      { class: "stack", onsubmit: send },
      make("label", {}, t("plan.outside-empty-as", { unit: unit() }), outside),
      make("label", {}, t("plan.wind", { unit: windUnit() }), blowing),
      make("label", { class: "check" }, wake, make("span", {}, t("plan.wake-me-to-light-and-to"))),
      buttonRow(make("button", { class: "main" }, t("plan.plan-it-and-keep-the")), drop),
      said,
    ),
  );
  return { form, drop };
}

export function planRoom(root) {
  const [face, serving] = [make("div", { class: "stack" }), make("div", {})];
  const serve = make("strong", { class: "num" });
  const { form, drop } = keeping();
  const [showWood, showReminders] = [wood(), reminders()];
  root.className = "halves";
  const plate = make(
    "section",
    { class: "plate", "aria-label": t("plan.plan") },
    across(make("h2", {}, t("plan.the-plan")), serve),
    face,
    form,
  );
  root.replaceChildren(make("div", {}, plate, serving), make("div", {}, showWood.node, showReminders.node));
  let had = null;
  const update = (snapshot) => {
    const { plan, pieces, serve_at } = snapshot;
    say(serve, plan ? t("plan.serve-serve-at", { serve_at: when(plan.serve_at, snapshot) }) : "");
    redraw(face, null, () => (plan ? kept(snapshot) : none(snapshot)));
    form.hidden = pieces.length === 0 || serve_at === null;
    if (Boolean(plan) !== had) form.open = !plan;
    had = Boolean(plan);
    drop.hidden = !plan;
    redraw(serving, null, () => standingFace(snapshot, undefined, plan !== null));
    showWood.update(live.snapshot);
    showReminders.update(live.snapshot);
  };
  return { update, tick() {} };
}
