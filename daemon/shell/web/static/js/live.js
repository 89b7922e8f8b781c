// The line to the watch: one event stream in, commands out.

import { buttonRow, find, make, say } from "./dom.js";
import { t } from "./texts.js";

export const live = { snapshot: null, cameAt: 0, facts: null };
const listeners = new Set();
const news = new Map();

export const onSnapshot = (listener) => listeners.add(listener);
export const onNews = (name, listener) => news.set(name, listener);
export const sinceWord = () => (performance.now() - live.cameAt) / 1000;

export async function ask(path) {
  const answer = await fetch(path, { credentials: "same-origin", cache: "no-store" });
  const body = await answer.json().catch(() => ({ problem: t("live.no-answer-in-words") }));
  if (!answer.ok) throw new Error(body.problem);
  return body;
}

let toastEnds = 0;
export function toast(text) {
  say(find("toast"), text);
  clearTimeout(toastEnds);
  toastEnds = setTimeout(() => say(find("toast"), ""), 7000);
}

const post = (path, body) =>
  fetch(path, {
    method: "POST",
    credentials: "same-origin",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(body),
  });

/** Ask a question that has a body. Gives the answer, or { problem } in words. */
export async function put(path, body) {
  try {
    const answer = await post(path, body);
    const result = await answer.json();
    return answer.ok ? result : { problem: result.problem };
  } catch {
    return { problem: t("live.no-answer-from-the-watch") };
  }
}

const QUESTION = 409; // understood, and asked about: a value that can hardly be meant

/** Send a command. True when the watch took it; says so either way. What it asks about goes again once it is meant. */
export async function tell(path, body, done) {
  try {
    const answer = await post(path, body);
    const result = await answer.json();
    if (answer.status === QUESTION && result.where === "sure" && !body.sure) {
      return window.confirm(result.problem + t("live.is-it-meant"))
        ? tell(path, { ...body, sure: true }, done)
        : false;
    }
    if (!answer.ok) throw new Error(result.problem);
    toast(result.said ? `${done} (${result.said})` : done);
    return true;
  } catch (error) {
    toast(
      error instanceof TypeError
        ? t("live.not-sent-no-connection")
        : t("live.not-done-message", { message: error.message }),
    );
    return false;
  }
}

export function take(snapshot) {
  live.snapshot = snapshot;
  live.cameAt = performance.now();
  for (const listener of listeners) listener(snapshot);
}

let stream = null;
export function listen() {
  stream?.close();
  stream = new EventSource("/api/events");
  stream.addEventListener("snapshot", (event) => take(JSON.parse(event.data)));
  for (const name of ["refused", "morning"]) {
    stream.addEventListener(name, (event) => news.get(name)?.(JSON.parse(event.data)));
  }
  stream.addEventListener("error", () => {
    if (stream.readyState === EventSource.CLOSED) setTimeout(listen, 4000);
  });
}

export const pairing = () => {
  const token = make("input", { type: "password", autocomplete: "off", name: "token", required: true });
  const send = async (event) => {
    event.preventDefault();
    if (await tell("/api/login", { token: token.value.trim() }, t("live.paired"))) location.replace("/");
  };
  return make(
    "form",
    { class: "plate", onsubmit: send },
    make("h2", {}, t("live.pair-this-phone")),
    make("p", {}, t("live.scan-the-code-shown-at")),
    make("label", {}, t("live.key"), token),
    buttonRow(make("button", { class: "main" }, t("live.pair"))),
  );
};
