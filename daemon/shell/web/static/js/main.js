// The page's own loop: which room is shown, is the word of the watch fresh, and nothing else.

import { bullets, find, make, redraw, say } from "./dom.js";
import { causes, isNew, prepareAlarms } from "./alarms.js";
import { deedsAsked } from "./deeds.js";
import { showGlance } from "./glance.js";
import { ask, listen, live, onSnapshot, pairing, sinceWord, take } from "./live.js";
import { pitRoom } from "./pit.js";
import { tickPieces } from "./pieces.js";
import { handheldAsks } from "./spots.js";
import { at, otherZone, plain, readAs, span, state } from "./words.js";
import { t } from "./texts.js";

const STALE_SECONDS = 15; // three missed beats
const ROOMS = {
  pit: async () => pitRoom,
  plan: async () => (await import("./plan.js")).planRoom,
  curve: async () => (await import("./curve.js")).curveRoom,
  night: async () => (await import("./night.js")).nightRoom,
  cooks: async () => (await import("./cooks.js")).cooksRoom,
  care: async () => (await import("./care.js")).careRoom,
  cook: async () => (await import("./kept.js")).keptRoom,
  compare: async () => (await import("./compare.js")).compareRoom,
  shift: async () => (await import("./shift.js")).shiftRoom,
  taught: async () => (await import("./taught.js")).taughtRoom,
};
const BEHIND = { cook: "cooks", compare: "cooks", taught: "cooks", shift: "night" }; // rooms reached through another
let room = null;

function address() {
  try {
    return location.hash.slice(1).split("/").map(decodeURIComponent);
  } catch {
    return [];
  }
}

async function enter() {
  const [wanted, ...rest] = address();
  const name = Object.hasOwn(ROOMS, wanted ?? "") ? wanted : "pit";
  const place = location.hash;
  for (const link of document.querySelectorAll(".rooms a")) {
    if (link.hash === `#${BEHIND[name] ?? name}`) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  document.body.dataset.room = name;
  const root = find("room");
  if (name !== "care" && !live.facts.paired && !live.facts.open_view) {
    root.replaceChildren(pairing());
    room = null;
    return;
  }
  const open = await ROOMS[name]();
  if (location.hash !== place) return; // somebody went on while this room was on its way
  root.dataset.shown = name;
  const fresh = make("div", {});
  root.replaceChildren(fresh);
  room = open(fresh, rest);
  if (live.snapshot) room.update(live.snapshot);
  scrollTo(0, 0);
}

function frame(snapshot) {
  say(find("title"), snapshot.cook_name || snapshot.pit.name);
  document.body.dataset.fire = ["in-band", "high", "runaway", "falling"].includes(snapshot.pit.stage)
    ? "bright"
    : "dim";
  const news = causes(snapshot).filter(({ members }) => members.some(isNew)).length;
  document.title = `${news ? `(${news}) ` : ""}${snapshot.pit.name} · pitvigil`;
  showGlance(snapshot);
  deedsAsked(find("asks"), snapshot);
  handheldAsks(snapshot);
  const troubles = snapshot.health.map(
    (part) =>
      `${[...new Set([plain(part.part), part.name])].join(" ")}: ${part.detail || t("main.not-working")}`,
  );
  if (!snapshot.clock_trusted) troubles.push(t("main.the-watchs-clock-is-not"));
  if (live.facts && !live.facts.can_wake) troubles.push(t("main.nobody-can-be-woken-the"));
  if (live.facts && !live.facts.paired) troubles.push(t("main.you-may-look-to-press"));
  redraw(find("health"), null, () =>
    troubles.length === 0
      ? []
      : [
          make(
            "details",
            { class: "plate small", open: troubles.length === 1 || live.snapshot.alarms.length === 0 },
            make(
              "summary",
              {},
              state(
                "suspect",
                troubles.length === 1
                  ? t("main.one-thing-about-the")
                  : t("main.things-about-the-watch", { troubles: troubles.length }),
              ),
            ),
            bullets(...troubles.map((text) => make("li", {}, text))),
          ),
        ],
  );
  room?.update(snapshot);
  tick();
}

function tick() {
  if (!live.snapshot) return;
  const quiet = sinceWord();
  const stale = quiet > STALE_SECONDS;
  const told = at(Date.now() - quiet * 1000);
  document.body.toggleAttribute("data-stale", stale);
  find("stale").hidden = !stale;
  if (stale) say(find("stale"), t("main.no-word-from-the-watch", { told }));
  const now = (live.snapshot.time + live.snapshot.wall_offset + quiet) * 1000;
  say(
    find("link"),
    stale
      ? t("main.silent-quiet", { quiet: span(quiet) })
      : t("main.live", { time: at(now), zone: otherZone(now) }),
  );
  room?.tick();
  tickPieces(find("pieces"));
}

async function begin() {
  try {
    live.facts = await ask("/api/page");
  } catch {
    setTimeout(begin, 3000);
    return;
  }
  readAs(live.facts);
  if (live.facts.paired || live.facts.open_view) {
    onSnapshot(frame);
    ask("/api/snapshot").then(take, () => {});
    listen();
  } else say(find("link"), t("main.not-paired"));
  prepareAlarms();
  addEventListener("hashchange", () => enter().then(() => find("room").focus({ preventScroll: true })));
  await enter();
}

setInterval(tick, 1000);
begin();
