"use strict";
// What the scripts of the page share: the plots with what they hold, the stretch of time that
// the plots over time show, and how numbers are written.
const page = (() => {
  // An open page of `watch` frames a copy of itself to learn whether it is out of date.
  const isCopy = window.parent !== window;
  const source = document.getElementById("instants");
  if (isCopy || !source) return { isCopy, views: [] };

  const { end, first, moves, plots } = JSON.parse(source.textContent);
  const svg = (name, attributes, text) => {
    const element = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    if (text !== undefined) element.textContent = text;
    return element;
  };
  const decimals = Math.max(0, 4 - Math.floor(Math.log10(end || 1)));
  const seconds = (t) => `${t.toFixed(decimals).replace(/(\.\d*?)0+$/, "$1").replace(/\.$/, "")} s`;
  // What is nothing on its axis is written as such.
  const number = (value, [low, high]) => {
    const text = Math.abs(value) < 1e-4 * (high - low) ? "0" : value.toPrecision(4);
    return text.includes("e") ? String(Number(text)) : text.replace(/(\.\d*?)0+$/, "$1").replace(/\.$/, "");
  };
  const percent = (value, [low, high]) => `${100 * (value - low) / (high - low)}%`;

  // The last sample at or before an instant.
  const sampleBefore = (times, t) => {
    let low = 0, high = times.length - 1;
    if (high < 0 || t < times[0] || t > times[high]) return -1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (times[middle] <= t) low = middle; else high = middle - 1;
    }
    return low;
  };
  const valueAt = (times, values, t) => {
    const before = sampleBefore(times, t);
    if (before < 0) return null;
    const after = Math.min(before + 1, times.length - 1);
    const [a, b] = [values[before], values[after]];
    if (a === null || b === null) return null;
    const width = times[after] - times[before];
    return width > 0 ? a + (b - a) * (t - times[before]) / width : a;
  };

  // All plots over time show one stretch of it.
  const shown = [0, first];
  const views = plots.filter((plot) => plot.kind !== "still").map((plot) => {
    const stage = document.getElementById(plot.stage);
    const over_time = plot.kind === "time";
    return { plot, stage, drawing: stage.querySelector("svg"), over_time, x: over_time ? shown : plot.x };
  });
  for (const hint of document.querySelectorAll(".hint")) hint.hidden = false;
  return { isCopy, end, first, moves, views, shown, svg, seconds, number, percent, valueAt };
})();
