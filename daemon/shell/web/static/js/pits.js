// Several pits: one line each, and which of them the page shows and marks.

import { button, keyed, make, say } from "./dom.js";
import { between, degrees, when } from "./words.js";
import { t } from "./texts.js";

let chosen = "";

/** All pits of a watch, the first one first. */
export const allPits = ({ pit, pits }) => (pits.length > 0 ? pits : [pit]);

const OLD = 300; // s: the fire is foretold anew each minute
/** What was foretold of this pit's fire has no successor: it is not read. Whoever shows the forecast asks here. */
export const isOld = ({ log_due, celsius, forecast_made_at }, time) =>
  log_due !== null && (celsius === null || (forecast_made_at !== null && time - forecast_made_at > OLD));

/** When its next log is to be laid: when it is called for. */
export const feedWord = ({ feed_at, feed_called }, snapshot) =>
  feed_called ? t("pits.now") : feed_at <= snapshot.time ? t("pits.soon") : when(feed_at, snapshot);

/** What comes without that log: the earlier end first, for then somebody has to be there. */
export const lowWord = ({ log_due: { p05, p95 } }, snapshot) =>
  t("pits.low", { between: between(p05, p95, snapshot) });

/** The watch as the chosen pit shows it: its figures, its own probes and signs. */
export function ofPit(snapshot) {
  if (snapshot.pits.length === 0) return snapshot;
  const pit = snapshot.pits.find(({ id }) => id === chosen) ?? snapshot.pit;
  const first = pit.id === snapshot.pit.id;
  return {
    ...snapshot,
    pit,
    channels: snapshot.channels.filter((channel) => channel.role !== "pit" || channel.pit === pit.id),
    fires: snapshot.fires.filter((fire) => (fire.pit ? fire.pit === pit.id : first)),
  };
}

/** What an order says of the pit that it means: nothing where there is one. */
export const namedPit = () => (chosen ? { pit: chosen } : {});

/** What was on the fire before nobody knows, until somebody has said how things stand. */
export const isRecordLost = ({ health }) => health.some(({ part }) => part === "record");

/** A button for each pit, with what matters of it; hidden where there is only one. fireWord: [shape, words] of a pit. */
export function pitChoice(fireWord, choose) {
  const node = make("section", { class: "plate buttons pits", "aria-label": t("pits.pits") });
  const create = ({ id }) => {
    const line = button("", () => {
      chosen = id;
      choose();
    });
    const update = ({ pit, snapshot, shown }) => {
      const due =
        pit.log_due === null || pit.feed_at === null || isOld(pit, snapshot.time)
          ? ""
          : t("pits.next-log", { at: feedWord(pit, snapshot) });
      const celsius = pit.celsius === null ? "" : ` ${degrees(pit.celsius)}`;
      say(
        line,
        t("pits.line", { name: pit.name, celsius, stage: fireWord(pit, isRecordLost(snapshot))[1], due }),
      );
      line.setAttribute("aria-pressed", String(pit.id === shown));
    };
    return { node: line, update };
  };
  const update = (snapshot) => {
    node.hidden = snapshot.pits.length === 0;
    const shown = ofPit(snapshot).pit.id;
    const lines = snapshot.pits.map((pit) => ({ id: pit.id, pit, snapshot, shown }));
    keyed(node, lines, ({ id }) => id, create);
  };
  return { node, update };
}
