// One instant of the program is shown in every plot at once. It is set by pointing at a plot, by
// the arrow keys on one, or by a row of the moves.
page.instant = (() => {
  const { views, end, moves, svg, seconds, number, percent, valueAt } = page;
  if (views.length === 0) return null;
  let now = null;
  const bar = document.getElementById("instant");

  for (const view of views) {
    const { plot, stage, drawing, over_time } = view;
    view.outputs = plot.curves.map((curve) => document.getElementById(curve.output));
    view.cursor = over_time ? drawing.appendChild(svg("line", { class: "cursor", y1: "0", y2: "100%" })) : null;
    view.dots = plot.curves.map((curve) => drawing.appendChild(svg("circle", { class: `dot k${curve.colour}`, r: 4.5 })));
    stage.setAttribute("role", "slider");
    stage.setAttribute("tabindex", "0");
    stage.setAttribute("aria-valuemin", "0");
    stage.setAttribute("aria-valuemax", String(end));
    const zooms = over_time ? " Plus and minus enlarge and reduce the time shown, 0 shows the beginning again." : "";
    stage.setAttribute("aria-label", `${stage.getAttribute("aria-label")} The arrow keys move the instant that is shown.${zooms}`);
    stage.addEventListener("pointermove", (event) => { if (event.pointerType === "mouse" || event.buttons) show(pointed(view, event)); });
    stage.addEventListener("pointerdown", (event) => show(pointed(view, event)));
    stage.addEventListener("keydown", (event) => {
      const next = keyed(event);
      if (next === undefined) return;
      event.preventDefault();
      show(next);
      if (now !== null) page.zoom?.hold(now);
    });
  }

  // The instant under the pointer: along a time axis, or on the nearest path.
  function pointed({ plot, drawing, over_time, x: [left, right] }, event) {
    const box = drawing.getBoundingClientRect();
    const x = (event.clientX - box.left) / box.width;
    if (over_time) return Math.min(Math.max(left + x * (right - left), left), right);
    const y = 1 - (event.clientY - box.top) / box.height;
    const [width, height] = [right - left, plot.y[1] - plot.y[0]];
    let [best, nearest] = [now ?? 0, Infinity];
    for (const { t, x: xs, y: ys } of plot.curves) {
      for (let i = 0; i < t.length; i += 1) {
        if (ys[i] === null) continue;
        const across = ((xs[i] - left) / width - x) * box.width;
        const up = ((ys[i] - plot.y[0]) / height - y) * box.height;
        const distance = across * across + up * up;
        if (distance < nearest) [best, nearest] = [t[i], distance];
      }
    }
    return best;
  }

  function keyed(event) {
    const at = now ?? page.shown[0];
    const step = (page.shown[1] - page.shown[0]) / (event.shiftKey ? 40 : 400);
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
      if (view.over_time) all.push(...told);
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
    bar.replaceChildren(...[seconds(now), where, ...new Set(all)].map((text) => {
      const span = document.createElement("span");
      span.textContent = text;
      return span;
    }));
  }

  function showIn({ plot, over_time, x: range, outputs, cursor, dots }) {
    const told = [];
    const inside = (x) => x >= range[0] && x <= range[1];
    if (cursor) {
      cursor.toggleAttribute("hidden", now === null || !inside(now));
      if (now !== null) for (const side of ["x1", "x2"]) cursor.setAttribute(side, percent(now, range));
    }
    plot.curves.forEach((curve, index) => {
      const y = now === null ? null : valueAt(curve.t, curve.y, now);
      const x = over_time ? now : now === null ? null : valueAt(curve.t, curve.x, now);
      const known = y !== null && x !== null;
      dots[index].toggleAttribute("hidden", !known || !inside(x));
      const text = !known ? "" : over_time
        ? `${number(y, plot.y)} ${curve.unit}`
        : `${number(y, plot.y)} ${curve.unit} at ${number(x, range)} ${curve.across}`;
      if (outputs[index]) outputs[index].textContent = text;
      if (!known) return;
      dots[index].setAttribute("cx", percent(x, range));
      dots[index].setAttribute("cy", `${100 - 100 * (y - plot.y[0]) / (plot.y[1] - plot.y[0])}%`);
      told.push(`${curve.name}: ${text}`);
    });
    return told;
  }

  for (const button of document.querySelectorAll("button[data-at]")) {
    button.addEventListener("click", () => {
      show(Number(button.dataset.at));
      page.zoom?.hold(now);
    });
  }
  document.addEventListener("keydown", (event) => { if (event.key === "Escape") show(null); });
  // What is folded up on the screen is printed all the same.
  window.addEventListener("beforeprint", () => {
    for (const details of document.querySelectorAll("details:not(.long)")) details.open = true;
  });
  page.zoom?.draw();
  show(null);
  return { show, now: () => now, redraw: () => show(now) };
})();
