"use strict";
// One instant of the program is shown in every plot at once. It is set by pointing at
// a plot, by the arrow keys on one, or by a row of the moves.
(() => {
  let now = null;
  const revision = document.body.dataset.revision;
  if (window.parent !== window) {
    // This is the copy that an open page looks at to learn whether it is out of date.
    if (revision) window.parent.postMessage({ revision }, "*");
    return;
  }
  if (revision) keepUpToDate(revision);

  const source = document.getElementById("instants");
  if (!source) return;
  const { end, moves, plots } = JSON.parse(source.textContent);
  const bar = document.getElementById("instant");
  const decimals = Math.max(0, 4 - Math.floor(Math.log10(end || 1)));
  const seconds = (t) => `${t.toFixed(decimals)} s`;
  const number = (value) => {
    const text = Math.abs(value) < 1e-9 ? "0" : value.toPrecision(4);
    return text.includes("e") ? String(Number(text)) : text.replace(/(\.\d*?)0+$/, "$1").replace(/\.$/, "");
  };

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

  const svg = (name, attributes) => {
    const element = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    return element;
  };
  const percent = (value, [low, high]) => `${100 * (value - low) / (high - low)}%`;

  const views = plots.map((plot) => {
    const stage = document.getElementById(plot.stage);
    const drawing = stage.querySelector("svg");
    const outputs = plot.curves.map((curve) => document.getElementById(curve.output));
    const cursor = plot.kind === "time" ? drawing.appendChild(svg("line", { class: "cursor", y1: "0", y2: "100%" })) : null;
    const dots = plot.curves.map((curve) => drawing.appendChild(svg("circle", { class: `dot k${curve.colour}`, r: 4.5 })));
    const view = { plot, stage, drawing, outputs, cursor, dots };
    stage.setAttribute("role", "slider");
    stage.setAttribute("tabindex", "0");
    stage.setAttribute("aria-valuemin", "0");
    stage.setAttribute("aria-valuemax", String(end));
    stage.setAttribute("aria-label", `${stage.getAttribute("aria-label")} The arrow keys move the instant that is shown.`);
    stage.addEventListener("pointermove", (event) => { if (event.pointerType === "mouse" || event.buttons) show(pointed(view, event)); });
    stage.addEventListener("pointerdown", (event) => show(pointed(view, event)));
    stage.addEventListener("keydown", (event) => {
      const next = keyed(event);
      if (next === undefined) return;
      event.preventDefault();
      show(next);
    });
    return view;
  });

  // The instant under the pointer: along a time axis, or on the nearest path.
  function pointed({ plot, drawing }, event) {
    const box = drawing.getBoundingClientRect();
    const x = (event.clientX - box.left) / box.width;
    if (plot.kind === "time") return plot.x[0] + x * (plot.x[1] - plot.x[0]);
    const y = 1 - (event.clientY - box.top) / box.height;
    const [width, height] = [plot.x[1] - plot.x[0], plot.y[1] - plot.y[0]];
    let [best, nearest] = [now ?? 0, Infinity];
    for (const { t, x: xs, y: ys } of plot.curves) {
      for (let i = 0; i < t.length; i += 1) {
        if (ys[i] === null) continue;
        const across = ((xs[i] - plot.x[0]) / width - x) * box.width;
        const up = ((ys[i] - plot.y[0]) / height - y) * box.height;
        const distance = across * across + up * up;
        if (distance < nearest) [best, nearest] = [t[i], distance];
      }
    }
    return best;
  }

  function keyed(event) {
    const at = now ?? 0;
    const step = end / (event.shiftKey ? 40 : 400);
    switch (event.key) {
      case "ArrowRight": case "ArrowUp": return at + step;
      case "ArrowLeft": case "ArrowDown": return at - step;
      case "Home": return 0;
      case "End": return end;
      case "PageDown": return (moves.find((move) => move[0] > at + 1e-9) ?? [end])[0];
      case "PageUp": return (moves.findLast((move) => move[0] < at - 1e-9) ?? [0])[0];
      case "Escape": return null;
      default: return undefined;
    }
  }

  function show(t) {
    now = t === null ? null : Math.min(Math.max(t, 0), end);
    const all = [];
    for (const view of views) {
      const told = showIn(view);
      if (view.plot.kind === "time") all.push(...told);
      view.stage.setAttribute("aria-valuenow", String(now ?? 0));
      view.stage.setAttribute("aria-valuetext", now === null ? "no instant" : [seconds(now), ...told].join(", "));
    }
    const current = now === null ? -1 : moves.findLastIndex((move) => move[0] <= now);
    const move = current >= 0 && now <= moves[current][1] ? moves[current] : null;
    for (const row of document.querySelectorAll("tr[data-row]")) {
      row.classList.toggle("now", move !== null && row.dataset.row === String(move[3]));
    }
    bar.hidden = now === null;
    if (now === null) return;
    const where = move ? `move ${current + 1}, line ${move[2]}` : "between moves";
    bar.replaceChildren(...[seconds(now), where, ...all].map((text) => {
      const span = document.createElement("span");
      span.textContent = text;
      return span;
    }));
  }

  function showIn({ plot, outputs, cursor, dots }) {
    const told = [];
    if (cursor) {
      cursor.toggleAttribute("hidden", now === null);
      if (now !== null) for (const end of ["x1", "x2"]) cursor.setAttribute(end, percent(now, plot.x));
    }
    plot.curves.forEach((curve, index) => {
      const y = now === null ? null : valueAt(curve.t, curve.y, now);
      const x = plot.kind === "time" ? now : now === null ? null : valueAt(curve.t, curve.x, now);
      const known = y !== null && x !== null;
      dots[index].toggleAttribute("hidden", !known);
      const text = !known ? "" : plot.kind === "time"
        ? `${number(y)} ${curve.unit}`
        : `${number(y)} ${curve.unit} at ${number(x)} ${curve.across}`;
      if (outputs[index]) outputs[index].textContent = text;
      if (!known) return;
      dots[index].setAttribute("cx", percent(x, plot.x));
      dots[index].setAttribute("cy", `${100 - 100 * (y - plot.y[0]) / (plot.y[1] - plot.y[0])}%`);
      told.push(`${curve.name}: ${text}`);
    });
    return told;
  }

  for (const button of document.querySelectorAll("button[data-at]")) {
    button.addEventListener("click", () => show(Number(button.dataset.at)));
  }
  document.addEventListener("keydown", (event) => { if (event.key === "Escape") show(null); });
  // What is folded up on the screen is printed all the same.
  window.addEventListener("beforeprint", () => {
    for (const details of document.querySelectorAll("details")) details.open = true;
  });
  show(null);
  const kept = window.sessionStorage.getItem("instant");
  if (kept) {
    window.sessionStorage.removeItem("instant");
    show(Number(kept));
  }

  // A page on disk cannot read files, its own among them, but it can frame itself: the
  // copy tells its revision, and where that is another one, this page is loaded anew.
  function keepUpToDate(own) {
    let copy = null;
    window.addEventListener("message", (event) => {
      if (copy === null || event.source !== copy.contentWindow) return;
      const seen = event.data && event.data.revision;
      copy.remove();
      copy = null;
      if (!seen || seen === own) return;
      if (now !== null) window.sessionStorage.setItem("instant", String(now));
      window.location.reload();
    });
    let waited = 0;
    window.setInterval(() => {
      if (document.hidden) return;
      // A copy that is still on its way is given some time.
      if (copy && (waited += 1) < 5) return;
      if (copy) copy.remove();
      waited = 0;
      copy = document.createElement("iframe");
      copy.hidden = true;
      copy.title = "a newer copy of this page";
      copy.src = `${window.location.href.split(/[?#]/)[0]}?look=${Date.now()}`;
      document.body.append(copy);
    }, 1000);
  }
})();
