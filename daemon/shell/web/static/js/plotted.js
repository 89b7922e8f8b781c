// What the curve is drawn from: the lines that were read, the forecast fans after now, and the words for each instant.

import { dashOf, faint, seriesInk } from "./chart.js";
import { degrees, shown } from "./words.js";
import { t } from "./texts.js";

/** A fan's value at any time inside it, in a straight line between its points; null outside. */
function between(fan, time, key) {
  const next = fan.findIndex((point) => point.time >= time);
  if (next < 0) return null;
  if (next === 0) return fan[0].time === time ? fan[0][key] : null;
  const [a, b] = [fan[next - 1], fan[next]];
  return a[key] + ((b[key] - a[key]) * (time - a.time)) / (b.time - a.time);
}

function readLines(channels, gap) {
  return channels.flatMap((channel, index) => [
    {
      label: `${channel.id} highest`,
      values: [...channel.high, ...gap],
      ink: seriesInk(index),
      dash: dashOf(Math.floor(index / 2)),
    },
    { label: `${channel.id} lowest`, values: [...channel.low, ...gap], ink: "transparent", width: 0 },
  ]);
}

function fanLines(piece, ink, before, later) {
  return ["p95", "p50", "p05"].map((key) => ({
    label: `${piece.id} ${key}`,
    values: [...before, ...later.map((time) => between(piece.fan, time, key))],
    ink: key === "p50" ? ink : "transparent",
    dash: [5, 4],
    width: key === "p50" ? 2 : 0,
  }));
}

/** horizon: engine s up to which the fans go; null = without them. Gives x in UTC s, lines, fills, the index of now, and
 * at(index, channel) in words. */
export function plotted(history, snapshot, horizon) {
  const inside = (time) => horizon !== null && time > snapshot.time && time <= horizon;
  const ahead = horizon === null ? [] : snapshot.pieces.filter((piece) => piece.fan.length > 1);
  const points = [...ahead.flatMap((piece) => piece.fan.map(({ time }) => time)), snapshot.serve_at];
  const later = [...new Set(points)].filter(inside).sort((a, b) => a - b);
  const times = [...history.time, ...later];
  const lines = readLines(
    history.channels,
    later.map(() => null),
  );
  const fills = history.channels.map((_, index) => [2 * index, 2 * index + 1, faint(seriesInk(index))]);
  for (const piece of ahead) {
    const own = history.channels.findIndex(({ id }) => id === piece.channel);
    const ink = seriesInk(Math.max(0, own));
    fills.push([lines.length, lines.length + 2, faint(ink)]);
    lines.push(
      ...fanLines(
        piece,
        ink,
        history.time.map(() => null),
        later,
      ),
    );
  }
  const at = (index, channel) => {
    if (index < history.time.length) {
      const [low, high] = [channel.low[index], channel.high[index]];
      return low === null ? "" : degrees((low + high) / 2);
    }
    const piece = ahead.find((one) => one.channel === channel.id);
    const [low, core, high] = ["p05", "p50", "p95"].map((key) =>
      piece ? between(piece.fan, times[index], key) : null,
    );
    return core === null
      ? ""
      : t("plotted.core-low-to-high", {
          core: degrees(core),
          low: Math.round(shown(low)),
          high: Math.round(shown(high)),
        });
  };
  return {
    x: times.map((time) => time + snapshot.wall_offset),
    times,
    lines,
    fills,
    at,
  };
}
