// Enlarges a stretch of time in all plots over time at once: by dragging across one, by the
// wheel, by keys and by buttons.
page.zoom = (() => {
  const { views, end, first, shown, svg, seconds, percent } = page;
  const over_time = views.filter((view) => view.over_time);
  if (over_time.length === 0) return null;

  // As many columns as a plot is drawn in, and as many ticks as it has at most.
  const COLUMNS = 700;
  const TICKS = [9, 6];
  const SIDE = 1000;
  const LEAST = Math.max(end * 1e-6, 1e-5);

  // Between the least and the greatest value of each column, in their order.
  function thinned(t, y, from, to) {
    let low = t.findIndex((time) => time >= from);
    low = Math.max(0, low < 0 ? t.length - 1 : low - 1);
    let high = t.findIndex((time) => time > to);
    high = high < 0 ? t.length - 1 : high;
    const all = [];
    for (let i = low; i <= high; i += 1) all.push(i);
    if (all.length <= 2 * COLUMNS) return all;
    const columns = new Map();
    for (const i of all) {
      const column = Math.floor((t[i] - from) / (to - from) * COLUMNS);
      const kept = columns.get(column);
      if (!kept) columns.set(column, [i, i]);
      else if (y[i] !== null) {
        if (y[kept[0]] === null || y[i] < y[kept[0]]) kept[0] = i;
        if (y[kept[1]] === null || y[i] > y[kept[1]]) kept[1] = i;
      }
    }
    return [...new Set([...columns.values()].flatMap(([a, b]) => a < b ? [a, b] : [b, a]))];
  }

  function drawCurve(curve, [low, high]) {
    const group = document.getElementById(curve.curve);
    const [from, to] = shown;
    const up = (y) => (SIDE * (high - y) / (high - low)).toFixed(1);
    const floor = up(0);
    let [line, area, begun, last] = ["", "", null, null];
    const close = () => {
      if (begun !== null) area += `L${last} ${floor}L${begun} ${floor}Z`;
      begun = null;
    };
    for (const i of thinned(curve.t, curve.y, from, to)) {
      if (curve.y[i] === null) { close(); continue; }
      const x = (SIDE * (curve.t[i] - from) / (to - from)).toFixed(1);
      const point = `${begun === null ? "M" : "L"}${x} ${up(curve.y[i])}`;
      if (begun === null) begun = x;
      last = x;
      line += point;
      area += point;
    }
    close();
    group.querySelector(".curve").setAttribute("d", line);
    group.querySelector(".area")?.setAttribute("d", area);
  }

  // Room above and below a position, over its range.
  const ROOM = 0.06;

  // The vertical range of what is shown of a plot.
  function fitted(plot) {
    let [low, high] = [Infinity, -Infinity];
    const take = (y) => { if (y !== null) [low, high] = [Math.min(low, y), Math.max(high, y)]; };
    for (const curve of plot.curves) {
      for (const i of thinned(curve.t, curve.y, ...shown)) {
        if (curve.t[i] >= shown[0] && curve.t[i] <= shown[1]) take(curve.y[i]);
      }
      for (const side of shown) take(page.valueAt(curve.t, curve.y, side));
    }
    if (low > high) return plot.y;
    const room = high > low ? ROOM * (high - low) : 1;
    return [low - room, high + room];
  }

  // Round numbers, 1, 2 or 5 times a power of ten apart.
  function ticks([low, high], most) {
    const least = (high - low) / most;
    const power = 10 ** Math.floor(Math.log10(least));
    const step = [1, 2, 5, 10].map((factor) => factor * power).find((one) => one >= least * (1 - 1e-9));
    const places = Math.max(0, -Math.floor(Math.log10(step * (1 + 1e-9))));
    const found = [];
    for (let i = Math.ceil(low / step - 1e-9); i <= Math.floor(high / step + 1e-9); i += 1) {
      found.push([i * step, i === 0 ? "0" : (i * step).toFixed(places).replace("-", "−")]);
    }
    return found;
  }

  function rescale({ plot, drawing }) {
    plot.y = fitted(plot);
    const up = (y) => percent(plot.y[1] - y + plot.y[0], plot.y);
    const levels = ticks(plot.y, TICKS[1]);
    drawing.querySelector(".up").replaceChildren(...levels.map(([at]) => svg("line", { x2: "100%", y1: up(at), y2: up(at) })));
    drawing.querySelector(".levels").replaceChildren(...levels.map(([at, text]) =>
      svg("text", { class: "end", x: "0", dx: "-8", y: up(at), dy: "4" }, text)));
    const zero = drawing.querySelector(".zero");
    if (zero) {
      zero.toggleAttribute("hidden", plot.y[0] > 0 || plot.y[1] < 0);
      for (const side of ["y1", "y2"]) zero.setAttribute(side, up(0));
    }
  }

  function draw() {
    const marks = ticks(shown, TICKS[0]);
    for (const view of over_time) {
      if (view.plot.rescales) rescale(view);
      for (const curve of view.plot.curves) drawCurve(curve, view.plot.y);
      view.drawing.querySelector(".across").replaceChildren(...marks.map(([at]) =>
        svg("line", { x1: percent(at, shown), x2: percent(at, shown), y2: "100%" })));
      view.drawing.querySelector(".numbers").replaceChildren(...marks.map(([at, text], index) =>
        svg("text", { class: index % 2 ? "middle odd" : "middle", x: percent(at, shown), y: "100%", dy: "17" }, text)));
    }
    told.textContent = `${seconds(shown[0])} … ${seconds(shown[1])} of ${seconds(end)}`;
    for (const [button, from, to] of presets) button.setAttribute("aria-pressed", String(shown[0] === from && shown[1] === to));
    page.instant?.redraw();
  }

  // Shows a stretch of time, as much of it as there is.
  function show(from, to) {
    const width = Math.min(Math.max(to - from, LEAST), end);
    const start = Math.min(Math.max(from, 0), end - width);
    [shown[0], shown[1]] = [start, start + width];
    draw();
  }

  // Shows `times` as much time; `about` keeps its place.
  function scale(times, about) {
    const [from, to] = shown;
    const width = Math.min(Math.max((to - from) * times, LEAST), end);
    const share = (about - from) / (to - from);
    show(about - share * width, about + (1 - share) * width);
  }

  // What is kept in place by keys and buttons: the instant, where it is shown.
  const middle = () => {
    const now = page.instant?.now();
    return now != null && now >= shown[0] && now <= shown[1] ? now : 0.5 * (shown[0] + shown[1]);
  };
  const zoomIn = () => scale(0.5, middle());
  const zoomOut = () => scale(2, middle());
  const reset = () => show(0, first);

  const bar = document.createElement("div");
  bar.className = "zoom";
  bar.setAttribute("role", "toolbar");
  bar.setAttribute("aria-label", "Time shown by the plots");
  const add = (text, does) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = text;
    button.addEventListener("click", does);
    bar.append(button);
    return button;
  };
  const presets = [];
  if (first < end) presets.push([add("Beginning", reset), 0, first]);
  presets.push([add("Whole program", () => show(0, end)), 0, end]);
  add("Enlarge", zoomIn);
  add("Reduce", zoomOut);
  add("Earlier", () => show(shown[0] - 0.5 * (shown[1] - shown[0]), shown[1] - 0.5 * (shown[1] - shown[0])));
  add("Later", () => show(shown[0] + 0.5 * (shown[1] - shown[0]), shown[1] + 0.5 * (shown[1] - shown[0])));
  const told = document.createElement("span");
  told.setAttribute("role", "status");
  bar.append(told);
  over_time[0].stage.closest("figure").before(bar);

  const at = (view, event) => {
    const box = view.drawing.getBoundingClientRect();
    return shown[0] + (event.clientX - box.left) / box.width * (shown[1] - shown[0]);
  };
  for (const view of over_time) {
    let from = null;
    let brush = null;
    const drop = () => {
      brush?.remove();
      [from, brush] = [null, null];
    };
    view.stage.addEventListener("pointerdown", (event) => {
      if (event.pointerType !== "mouse" || event.button !== 0) return;
      from = event.clientX;
      view.stage.setPointerCapture(event.pointerId);
    });
    view.stage.addEventListener("pointermove", (event) => {
      if (from === null || (brush === null && Math.abs(event.clientX - from) < 6)) return;
      const box = view.drawing.getBoundingClientRect();
      const [left, right] = [from, event.clientX].sort((a, b) => a - b).map((x) => Math.min(Math.max((x - box.left) / box.width, 0), 1));
      brush ??= view.drawing.appendChild(svg("rect", { class: "brush", y: "0", height: "100%" }));
      brush.setAttribute("x", `${100 * left}%`);
      brush.setAttribute("width", `${100 * (right - left)}%`);
    });
    view.stage.addEventListener("pointerup", (event) => {
      const [start, drawn] = [from, brush];
      const ends = start === null ? [] : [at(view, { clientX: start }), at(view, event)].sort((a, b) => a - b);
      drop();
      if (drawn) show(Math.max(ends[0], shown[0]), Math.min(ends[1], shown[1]));
    });
    view.stage.addEventListener("pointercancel", drop);
    view.stage.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && document.activeElement !== view.stage) return;
      event.preventDefault();
      scale(2 ** (Math.sign(event.deltaY) * 0.5), at(view, event));
    }, { passive: false });
    view.stage.addEventListener("dblclick", reset);
    view.stage.addEventListener("keydown", (event) => {
      const does = { "+": zoomIn, "=": zoomIn, "-": zoomOut, "−": zoomOut, 0: reset }[event.key];
      if (!does || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      does();
    });
  }
  // On paper the plots show what they show without a script.
  window.addEventListener("beforeprint", reset);

  // Moves the stretch so that it holds an instant.
  function hold(t) {
    const width = shown[1] - shown[0];
    if (t < shown[0] || t > shown[1]) show(t - 0.25 * width, t + 0.75 * width);
  }
  return { show, draw, hold };
})();
