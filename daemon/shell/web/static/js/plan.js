// The plan on the page: its times beside what is likely now, ahead or behind, the wait in the hold, wood and reminders.

import { button, buttonRow, fold, make, muted, redraw, table } from "./dom.js";
import { live, put, toast } from "./live.js";
import { reminders } from "./reminders.js";
import { standingFace, verdict } from "./standing.js";
import { capital, clock, inside, plain, span, state, unit, when } from "./words.js";
import { wood } from "./wood.js";

const STEPS = {
  light: "Light the fire",
  prepare: "Prepare",
  "put-on": "Put on",
  wrap: "Wrap",
  probe: "Probe for tender",
  off: "Take off",
  hold: "Into the hold",
  serve: "Serve",
  chill: "Chill",
};
const WORTH_SAYING = 3600; // s

function stepRow({ kind, piece, planned, at, done }, names, snapshot) {
  const spread =
    at.p95 - at.p05 > 120
      ? make("small", { class: "line" }, `${clock(at.p05, snapshot)} to ${clock(at.p95, snapshot)}`)
      : "";
  const word = STEPS[kind] ?? capital(plain(kind));
  return make(
    "tr",
    {},
    make("th", { scope: "row" }, piece === null ? word : `${word}: ${names.get(piece) ?? piece}`),
    make("td", {}, when(planned, snapshot)),
    make(
      "td",
      {},
      done ? state("good", clock(at.p50, snapshot)) : when(at.p50, snapshot),
      done ? "" : spread,
    ),
  );
}

/** How long each piece waits, hot, between being off and being served. */
function waits({ steps, serve_at }, names) {
  return steps
    .filter(({ kind, at, done }) => kind === "off" && !done && serve_at - at.p50 >= WORTH_SAYING)
    .map(({ piece, at }) =>
      make("p", {}, `${names.get(piece) ?? piece} waits about ${span(serve_at - at.p50)}: keep it hot.`),
    );
}

function kept(snapshot) {
  const { plan } = snapshot;
  const names = new Map(snapshot.pieces.map((piece) => [piece.id, piece.name]));
  return [
    plan.ahead === null ? state("good", "everything is off") : verdict(plan),
    make("strong", { class: "num" }, `serve ${when(plan.serve_at, snapshot)}`),
    table(
      ["Step", "Planned", "Now likely"],
      plan.steps.map((step) => stepRow(step, names, snapshot)),
      { tabindex: "0", role: "region", "aria-label": "Times of the plan" },
    ),
    ...waits(plan, names),
    muted(
      plan.wake
        ? "Its hours to light and to put on ring at night too."
        : "It calls by day only: set your own alarm clock for the night.",
    ),
  ];
}

function none(snapshot) {
  if (snapshot.pieces.length === 0)
    return [
      make(
        "p",
        {},
        "No cook is set up. A plan says when to light, when each piece goes on, and how much wood to lay ready.",
      ),
      buttonRow(make("a", { class: "button main", href: "#cooks/start" }, "Set up a cook")),
    ];
  if (snapshot.serve_at === null)
    return [make("p", {}, "This cook has no serving time, so nothing can be planned back from it.")];
  return [
    make(
      "p",
      {},
      "No plan is kept. A kept plan calls you when it is time to light and to put each piece on.",
    ),
  ];
}

/** Plans the running cook anew with the weather that is given. */
function keeping() {
  const outside = make("input", { type: "number", inputmode: "decimal", step: "any" });
  const wake = make("input", { type: "checkbox" });
  wake.checked = true;
  const said = make("div", { class: "stack", role: "status" });
  const send = async (event) => {
    event.preventDefault();
    said.replaceChildren(make("p", {}, "Planning takes a few seconds."));
    const weather = outside.value === "" ? {} : { ambient: inside(Number(outside.value)) };
    const made = await put("/api/keep-plan", { wake: wake.checked, ...weather });
    said.replaceChildren(...(made.problem ? [made.problem] : made.lines).map((line) => make("p", {}, line)));
  };
  const drop = button("Drop the plan", async () => {
    const made = await put("/api/drop-plan", {});
    toast(made.problem ?? "There is no plan any more.");
  });
  const form = fold(
    "Plan it",
    make(
      "form",
      { class: "stack", onsubmit: send },
      make("label", {}, `Outside, ${unit()} (empty: as measured)`, outside),
      make("label", { class: "check" }, wake, make("span", {}, "Wake me to light and to put on")),
      buttonRow(make("button", { class: "main" }, "Plan it and keep the plan"), drop),
      said,
    ),
  );
  return { form, drop };
}

export function planRoom(root) {
  const [face, serving] = [make("div", { class: "stack" }), make("div", {})];
  const { form, drop } = keeping();
  const [showWood, showReminders] = [wood(), reminders()];
  root.className = "columns";
  root.replaceChildren(
    make("section", { class: "plate", "aria-label": "Plan" }, make("h2", {}, "The plan"), face, form),
    serving,
    showWood.node,
    showReminders.node,
  );
  let had = null;
  const update = (snapshot) => {
    const { plan, pieces, serve_at } = snapshot;
    redraw(face, [plan, serve_at, pieces.length, Math.floor(snapshot.time / 60)], () =>
      plan ? kept(snapshot) : none(snapshot),
    );
    form.hidden = pieces.length === 0 || serve_at === null;
    if (Boolean(plan) !== had) form.open = !plan;
    had = Boolean(plan);
    drop.hidden = !plan;
    redraw(serving, [snapshot.standing, serve_at, Math.floor(snapshot.time / 60)], () =>
      standingFace(snapshot, undefined, plan !== null),
    );
    showWood.update(live.snapshot);
    showReminders.update(live.snapshot);
  };
  return { update, tick() {} };
}
