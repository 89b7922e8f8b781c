// Numbers and instants as a person reads them. Inside: °C, s.

import { draw, make } from "./dom.js";
import { plain, t } from "./texts.js";

const kept = (name) => {
  try {
    return localStorage.getItem(name);
  } catch {
    return null;
  }
};
export const keep = (name, value) => {
  try {
    localStorage.setItem(name, value);
  } catch {
    /* private browsing */
  }
};
export const recall = kept;

/** The watch makes its sentences in the units and by the clock that these cookies name; without one, as its own people read. */
const tellWatch = (name, value) => {
  // biome-ignore lint/suspicious/noDocumentCookie: set at once, for the request that follows
  document.cookie = `${name}=${value}; path=/; max-age=31536000; SameSite=Strict`;
};
const choices = { unit: kept("unit"), clock: kept("clock") };
const reads = { ...choices, zone: undefined }; // a zone of the tz database; without one the phone's own
for (const [name, value] of Object.entries(choices)) if (value !== null) tellWatch(name, value);
/** How this phone reads: "C" or "F", "12" or "24"; what it never chose, as the rig's people do. */
export const reading = (name) => reads[name];
export function readAs(facts) {
  reads.unit ??= facts.fahrenheit ? "F" : "C";
  reads.clock ??= facts.twelve_hours ? "12" : "24";
  reads.zone = facts.zone;
}
export function prefer(name, value) {
  reads[name] = value;
  keep(name, value);
  tellWatch(name, value);
}

const POUND = 0.45359237;
export const isFahrenheit = () => reads.unit === "F";
export const massUnit = () => (isFahrenheit() ? "lb" : "kg");
export const mass = (kilograms) => (isFahrenheit() ? kilograms / POUND : kilograms);
export const kilos = (text) => Number(text) * (isFahrenheit() ? POUND : 1);
const MPH = 0.44704; // m/s: 1609.344 m in 3600 s, by the agreement of 1959
export const windUnit = () => (isFahrenheit() ? "mph" : "m/s");
export const wind = (speed) => `${+(isFahrenheit() ? speed / MPH : speed).toFixed(1)} ${windUnit()}`;
export const speed = (text) => +(Number(text) * (isFahrenheit() ? MPH : 1)).toFixed(3);
export const unit = () => (isFahrenheit() ? "°F" : "°C");
export const shown = (celsius) => (isFahrenheit() ? celsius * 1.8 + 32 : celsius);
export const inside = (number) => (isFahrenheit() ? (number - 32) / 1.8 : number);
export const step = (celsius) => (isFahrenheit() ? celsius * 1.8 : celsius);
export const degrees = (celsius) =>
  celsius === null ? t("words.no-value") : `${Math.round(shown(celsius))} ${unit()}`;
export const difference = (celsius) => {
  const value = Math.round(step(celsius));
  return `${value > 0 ? "+" : value < 0 ? "−" : "±"}${Math.abs(value)}°`;
};

/** Two short parts: which way, how fast. */
export function trendParts(rate) {
  if (rate === null) return [t("words.trend"), t("words.not-known")];
  const value = Math.round(step(rate));
  if (Math.abs(step(rate)) < 3) return [t("words.steady"), ""];
  return value > 0 ? [t("words.rising"), `${value}°/h`] : [t("words.falling"), `${-value}°/h`];
}

/** The shortest: an arrow and a number. */
export function trendMark(rate) {
  if (rate === null) return "";
  const value = Math.round(step(rate));
  return Math.abs(step(rate)) < 3 ? t("words.steady") : `${value > 0 ? "↗" : "↘"} ${Math.abs(value)}°/h`;
}
export const trend = (rate) => trendParts(rate).join(" ").trim();
export const trendLines = (rate) => trendParts(rate).map((part) => make("span", { class: "line" }, part));

/** Times and durations are rounded down, so that no limit promises more than is foretold; 04:59:59.9 is five o'clock. */
const whole = (seconds, unit) => Math.floor((seconds + 0.5) / unit);
const onTheMinute = (milliseconds) => new Date(whole(milliseconds / 1000, 60) * 60000);
const timeOfDay = (instant, timeZone) =>
  instant.toLocaleTimeString(
    [],
    reads.clock === "12"
      ? { hour: "numeric", minute: "2-digit", hour12: true, timeZone }
      : { hour: "2-digit", minute: "2-digit", hourCycle: "h23", timeZone },
  );
export const zone = () => reads.zone;
/** Times are the rig's, wherever the phone is. */
export const at = (milliseconds) => timeOfDay(onTheMinute(milliseconds), reads.zone);
export const clock = (engine, snapshot) => at((engine + snapshot.wall_offset) * 1000);

/** "07:20 to 10:08"; "7:20 to 10:08 AM" where both are of the same half of this day; "Sat 10:25 PM to Sun 1:28 PM" where an end
 * lies on another day than today. */
export function between(from, until, snapshot) {
  const [early, late] = [clock(from, snapshot), clock(until, snapshot)];
  const [now, ...days] = [snapshot.time, from, until].map((engine) => dayOf(engine, snapshot));
  if (days.some((day) => day !== now)) {
    const [first, last] = [from, until].map((engine) => weekday(engine, snapshot));
    return t("words.early-to-late", { early: first + early, late: days[0] === days[1] ? late : last + late });
  }
  const half = (text) => text.replace(/^[\d:.]+/, "");
  const cut = half(early) !== "" && half(early) === half(late) ? half(early).length : 0;
  return t("words.early-to-late", { early: early.slice(0, early.length - cut), late });
}

/** "2026-06-13T19:00" in the rig's zone, as a field for a date and a time has it. */
export const localTime = (engine, snapshot) => {
  const ms = onTheMinute((engine + snapshot.wall_offset) * 1000).getTime();
  return new Date(ms).toLocaleString("sv", { timeZone: reads.zone }).slice(0, 16).replace(" ", "T");
};

/** " Europe/London" where this phone's clock says something else than the rig's, else nothing. */
export function otherZone(milliseconds) {
  const then = new Date(milliseconds);
  return timeOfDay(then, reads.zone) === timeOfDay(then, undefined) ? "" : ` ${reads.zone}`;
}

/** "2026-06-13", in the rig's zone. */
export const isoDay = (milliseconds) =>
  new Date(milliseconds).toLocaleDateString("sv", { timeZone: reads.zone });

const instant = (engine, snapshot) => onTheMinute((engine + snapshot.wall_offset) * 1000).getTime();
const dayOf = (engine, snapshot) => isoDay(instant(engine, snapshot));
const weekday = (engine, snapshot) =>
  `${new Date(instant(engine, snapshot)).toLocaleDateString([], { weekday: "short", timeZone: reads.zone })} `;

/** The time of day, and the weekday where it is not today. */
export const when = (engine, snapshot) =>
  (dayOf(engine, snapshot) === dayOf(snapshot.time, snapshot) ? "" : weekday(engine, snapshot)) +
  clock(engine, snapshot);

/** "since 22:10", or nothing where it is not known since when. */
export const since = (engine, snapshot) =>
  engine > 0 && engine + snapshot.wall_offset > 1e6
    ? t("words.since-engine", { engine: when(engine, snapshot) })
    : "";
export const day = (utc) =>
  new Date(utc * 1000).toLocaleDateString([], {
    day: "numeric",
    month: "short",
    year: "numeric",
    timeZone: reads.zone,
  });

export function span(seconds) {
  const s = Math.max(0, whole(seconds, 1));
  if (s < 90) return `${s} s`;
  const minutes = whole(s, 60);
  if (s < 5400) return t("words.s-min", { s: minutes });
  return t("words.hours", { hours: Math.floor(minutes / 60), rest: String(minutes % 60).padStart(2, "0") });
}

export { plain };
export const capital = (word) => word.charAt(0).toUpperCase() + word.slice(1);

const SHAPES = {
  good: "M8 1a7 7 0 1 0 0 14A7 7 0 0 0 8 1zM7 11.4 3.8 8.2l1.4-1.4L7 8.6l3.8-3.8 1.4 1.4z",
  suspect: "M8 1a7 7 0 1 0 0 14A7 7 0 0 0 8 1zm0 2v10A5 5 0 0 1 8 3z",
  bad: "M3.8 2.4 2.4 3.8 6.6 8l-4.2 4.2 1.4 1.4L8 9.4l4.2 4.2 1.4-1.4L9.4 8l4.2-4.2-1.4-1.4L8 6.6z",
  high: "M8 1 15.5 15H.5zM7 6v5h2V6zm0 6v2h2v-2z",
  medium: "M8 .5 15.5 8 8 15.5.5 8zM7 4v5h2V4zm0 6v2h2v-2z",
  low: "M2 2h12v12H2zM7 4v5h2V4zm0 6v2h2v-2z",
  quiet: "M3 7h10v2H3z",
};

export const shape = (name) =>
  draw(
    "svg",
    { viewBox: "0 0 16 16", "aria-hidden": "true" },
    draw("path", { d: SHAPES[name] ?? SHAPES.quiet, fill: "currentColor", "fill-rule": "evenodd" }),
  );

/** Word, shape and colour together, never colour alone. */
export const state = (name, text) => make("span", { class: `state ${name}` }, shape(name), text);

export function big(celsius, size = "") {
  const number = celsius === null ? "––" : String(Math.round(shown(celsius)));
  return make("p", { class: `big ${size}` }, number, make("small", {}, unit()));
}

export function qualityOf(channel) {
  if (channel.quality === "good") return ["good", t("words.good")];
  const why = [channel.fault, ...channel.doubts].filter(Boolean).map(plain).join(", ");
  return [
    channel.quality,
    (channel.quality === "bad" ? t("words.not-usable") : t("words.doubtful")) + (why ? `: ${why}` : ""),
  ];
}
