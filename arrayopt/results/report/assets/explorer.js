"use strict";
(() => {
  const holder = document.getElementById("x-data");
  if (!holder) return;
  const data = JSON.parse(holder.textContent);
  const byId = (id) => document.getElementById(id);
  const INK = "#1c2126", SOFT = "#525c66", LINE = "#c5ccd3", FAINT = "#eef2f5";

  // ---- data -------------------------------------------------------------------------------------
  const unpack = (text, Type) => {
    const raw = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
    if (Type === Uint8Array) return raw;
    const view = new DataView(raw.buffer);
    return Uint16Array.from({ length: raw.length / 2 }, (_, i) => view.getUint16(2 * i, true));
  };
  const columns = data.columns;
  const designs = [];
  data.strategies.forEach((s, strategy) => {
    s.levels = s.points ? unpack(s.levels, Uint8Array) : null;
    s.cells = unpack(s.cells, Uint16Array);
    for (let row = 0; row < s.count; row++) {
      designs.push({
        index: designs.length, strategy, row, id: `${s.name}/${s.ids[row]}`,
        v: columns.map((_, c) => s.values[c][row]),
      });
    }
  });
  const extent = columns.map((_, c) => {
    const values = designs.map((d) => d.v[c]).filter((v) => v !== null);
    let low = Math.min(...values), high = Math.max(...values);
    if (!(high > low)) { low -= 0.5 * Math.abs(low) || 1; high += 0.5 * Math.abs(high) || 1; }
    return [low, high];
  });
  const label = (c) => columns[c].name + (columns[c].unit ? ` (${columns[c].unit})` : "");
  const show = (v) => (v === null ? "–" : Math.abs(v) >= 9999.5 ? v.toFixed(0) : String(Number(v.toPrecision(4))));
  const withUnit = (c, v) => `${show(v)}${columns[c].unit ? " " + columns[c].unit : ""}`;

  // ---- state ------------------------------------------------------------------------------------
  const objectives = columns.map((_, c) => c).filter((c) => columns[c].sense);
  const others = columns.map((_, c) => c).filter((c) => columns[c].variable);
  const state = {
    x: objectives[1] ?? 1, y: objectives[0] ?? 0, picked: null, pinned: null,
    axes: [...objectives, ...others].slice(0, 8), range: new Map(),
    visible: data.strategies.map(() => true),
  };
  const inside = (d) => state.visible[d.strategy] && [...state.range].every(
    ([c, [low, high]]) => d.v[c] !== null && d.v[c] >= low && d.v[c] <= high);

  // ---- drawing helpers --------------------------------------------------------------------------
  const NS = "http://www.w3.org/2000/svg";
  const node = (name, attributes, parent, text) => {
    const element = document.createElementNS(NS, name);
    for (const key in attributes) element.setAttribute(key, attributes[key]);
    if (text !== undefined) element.textContent = text;
    if (parent) parent.appendChild(element);
    return element;
  };
  const ticks = (low, high, wanted) => {
    const raw = (high - low) / wanted, power = 10 ** Math.floor(Math.log10(raw));
    const step = [1, 2, 5, 10].map((m) => m * power).find((m) => m >= raw);
    const out = [];
    for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9 * step; k++) out.push(k * step);
    return out;
  };
  const tick = (v) => String(Number(v.toPrecision(6)));
  const shapes = {
    circle: (x, y, r) => `M${x - r},${y}a${r},${r} 0 1,0 ${2 * r},0a${r},${r} 0 1,0 ${-2 * r},0z`,
    square: (x, y, r) => `M${x - r},${y - r}h${2 * r}v${2 * r}h${-2 * r}z`,
    triangle: (x, y, r) => `M${x},${y - 1.2 * r}l${1.15 * r},${2.1 * r}h${-2.3 * r}z`,
    down: (x, y, r) => `M${x},${y + 1.2 * r}l${1.15 * r},${-2.1 * r}h${-2.3 * r}z`,
    diamond: (x, y, r) => `M${x},${y - 1.3 * r}l${1.3 * r},${1.3 * r}l${-1.3 * r},${1.3 * r}l${-1.3 * r},${-1.3 * r}z`,
  };
  const fixed = (v) => Math.round(10 * v) / 10;
  const point = (s, x, y, r, parent, extra) => node("path", {
    d: shapes[s.shape](fixed(x), fixed(y), r), stroke: s.colour, "stroke-width": 1.2,
    fill: s.filled ? s.colour : "#fff", ...extra,
  }, parent);
  const frame = (svg, box, xs, ys, xTitle, yTitle) => {
    const [left, top, right, bottom] = box;
    const px = (v) => left + (right - left) * (v - xs[0]) / (xs[1] - xs[0]);
    const py = (v) => bottom - (bottom - top) * (v - ys[0]) / (ys[1] - ys[0]);
    const text = { fill: INK, "font-size": 12 };
    for (const v of ticks(xs[0], xs[1], 6)) {
      node("path", { d: `M${fixed(px(v))},${top}V${bottom}`, stroke: FAINT }, svg);
      node("text", { x: px(v), y: bottom + 16, "text-anchor": "middle", ...text }, svg, tick(v));
    }
    for (const v of ticks(ys[0], ys[1], 6)) {
      node("path", { d: `M${left},${fixed(py(v))}H${right}`, stroke: FAINT }, svg);
      node("text", { x: left - 7, y: py(v) + 4, "text-anchor": "end", ...text }, svg, tick(v));
    }
    node("path", { d: `M${left},${top}V${bottom}H${right}`, stroke: SOFT, fill: "none" }, svg);
    node("text", { x: (left + right) / 2, y: bottom + 36, "text-anchor": "middle", ...text }, svg, xTitle);
    node("text", { transform: `translate(14 ${(top + bottom) / 2}) rotate(-90)`, "text-anchor": "middle", ...text }, svg, yTitle);
    return [px, py];
  };
  const clear = (svg) => { while (svg.firstChild) svg.removeChild(svg.firstChild); };
  const padded = ([low, high]) => [low - 0.04 * (high - low), high + 0.04 * (high - low)];

  // ---- scatter ----------------------------------------------------------------------------------
  const scatter = byId("x-scatter");
  const drawScatter = () => {
    clear(scatter);
    byId("x-scatter-title").textContent = `${label(state.y)} against ${label(state.x)}`;
    const [px, py] = frame(scatter, [62, 10, 710, 352], padded(extent[state.x]), padded(extent[state.y]), label(state.x), label(state.y));
    const draw = (d, extra) => {
      const x = d.v[state.x], y = d.v[state.y];
      if (x === null || y === null) return;
      point(data.strategies[d.strategy], px(x), py(y), 4, scatter, { class: "x-point", "data-design": d.index, ...extra });
    };
    for (const d of designs) if (state.visible[d.strategy] && !inside(d)) draw(d, { opacity: 0.13 });
    for (const d of designs) if (inside(d)) draw(d, {});
    const ring = (index, extra) => {
      if (index === null) return;
      const d = designs[index];
      if (d.v[state.x] === null || d.v[state.y] === null) return;
      node("circle", { cx: px(d.v[state.x]), cy: py(d.v[state.y]), r: 9, fill: "none", stroke: INK, "stroke-width": 2, ...extra }, scatter);
    };
    ring(state.pinned, { "stroke-dasharray": "3 2" });
    ring(state.picked, {});
  };
  scatter.addEventListener("click", (event) => {
    // the nearest design, so that a finger need not hit a 4-pixel mark
    const box = scatter.getBoundingClientRect();
    const x = 720 * (event.clientX - box.left) / box.width, y = 400 * (event.clientY - box.top) / box.height;
    const xs = padded(extent[state.x]), ys = padded(extent[state.y]);
    let best = null, reach = 20 ** 2;
    for (const d of designs) {
      if (!inside(d) || d.v[state.x] === null || d.v[state.y] === null) continue;
      const dx = 62 + 648 * (d.v[state.x] - xs[0]) / (xs[1] - xs[0]) - x;
      const dy = 352 - 342 * (d.v[state.y] - ys[0]) / (ys[1] - ys[0]) - y;
      if (dx * dx + dy * dy < reach) { reach = dx * dx + dy * dy; best = d.index; }
    }
    if (best !== null) pick(best);
  });
  scatter.addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 }[event.key];
    if (event.key === "Enter" && state.picked !== null) { pin(); event.preventDefault(); return; }
    if (!step && event.key !== "Home" && event.key !== "End") return;
    event.preventDefault();
    const by = event.key === "ArrowUp" || event.key === "ArrowDown" ? state.y : state.x;
    const order = designs.filter((d) => inside(d) && d.v[by] !== null).sort((a, b) => a.v[by] - b.v[by] || a.index - b.index);
    if (!order.length) return;
    const at = order.findIndex((d) => d.index === state.picked);
    let next = event.key === "Home" ? 0 : event.key === "End" ? order.length - 1 : at < 0 ? 0 : at + step;
    next = Math.max(0, Math.min(order.length - 1, next));
    pick(order[next].index);
  });

  // ---- parallel axes ----------------------------------------------------------------------------
  const parallel = byId("x-parallel"), TOP = 46, BOTTOM = 258;
  // the picture is as wide as its place, so that letters keep their size; many axes make it scroll
  let width = 1120;
  const measure = () => {
    width = Math.max(parallel.parentElement.clientWidth, 92 * state.axes.length);
    parallel.setAttribute("viewBox", `0 0 ${width} 300`);
    parallel.style.width = `${width}px`;
  };
  const axisX = (k) => (state.axes.length < 2 ? width / 2 : 56 + (width - 112) * k / (state.axes.length - 1));
  const height = (c, v) => BOTTOM - (BOTTOM - TOP) * (v - extent[c][0]) / (extent[c][1] - extent[c][0]);
  const drawParallel = () => {
    const focused = document.activeElement && document.activeElement.dataset ? document.activeElement.dataset.handle : null;
    clear(parallel);
    measure();
    const path = (d, extra) => {
      const steps = state.axes.map((c, k) => (d.v[c] === null ? "" : `${fixed(axisX(k))},${fixed(height(c, d.v[c]))}`)).filter(Boolean);
      const s = data.strategies[d.strategy];
      node("path", { d: "M" + steps.join("L"), fill: "none", stroke: s.colour, "stroke-dasharray": s.dash || "none", "stroke-width": 1, opacity: 0.45, ...extra }, parallel);
    };
    for (const d of designs) if (state.visible[d.strategy] && !inside(d)) path(d, { stroke: LINE, opacity: 0.3 });
    for (const d of designs) if (inside(d)) path(d, {});
    if (state.pinned !== null) path(designs[state.pinned], { stroke: SOFT, "stroke-width": 2.6, opacity: 1, "stroke-dasharray": "3 2" });
    if (state.picked !== null) path(designs[state.picked], { stroke: INK, "stroke-width": 3, opacity: 1, "stroke-dasharray": "none" });
    state.axes.forEach((c, k) => {
      const x = axisX(k), [low, high] = state.range.get(c) ?? extent[c];
      node("path", { d: `M${x},${TOP}V${BOTTOM}`, stroke: SOFT }, parallel);
      node("path", { d: `M${x},${height(c, high)}V${height(c, low)}`, stroke: INK, "stroke-width": 4 }, parallel);
      const title = node("text", { x, y: 14, "text-anchor": "middle", "font-size": 11.5, fill: INK }, parallel);
      const words = columns[c].name.split(" "), unit = columns[c].unit ? ` (${columns[c].unit})` : "";
      const cut = words.length > 1 ? Math.ceil(words.length / 2) : 1;
      node("tspan", { x }, title, words.slice(0, cut).join(" "));
      node("tspan", { x, dy: 14 }, title, words.slice(cut).join(" ") + unit);
      for (const v of extent[c]) {
        node("text", { x: x + 8, y: height(c, v) + (v === extent[c][0] ? 14 : 12), "font-size": 11, fill: SOFT, "paint-order": "stroke", stroke: "#fff", "stroke-width": 3 }, parallel, show(v));
      }
      handle(c, x, 0, low, high);
      handle(c, x, 1, low, high);
    });
    if (focused) { const again = parallel.querySelector(`[data-handle="${focused}"]`); if (again) again.focus(); }
  };
  const handle = (c, x, end, low, high) => {
    const value = end ? high : low, y = height(c, value), way = end ? -1 : 1;
    const group = node("g", {
      class: "x-handle", tabindex: 0, role: "slider", "data-handle": `${c}-${end}`, "aria-orientation": "vertical",
      "aria-label": `${end ? "Largest" : "Smallest"} ${label(c)}`,
      "aria-valuemin": extent[c][0], "aria-valuemax": extent[c][1], "aria-valuenow": Number(value.toPrecision(6)), "aria-valuetext": withUnit(c, value),
    }, parallel);
    node("rect", { x: x - 14, y: end ? y - 22 : y - 2, width: 28, height: 24, fill: "transparent" }, group);
    node("path", { d: `M${x},${fixed(y)}l-8,${13 * way}h16z`, fill: "#fff", stroke: INK, "stroke-width": 1.6 }, group);
    group.addEventListener("keydown", (event) => {
      const span = extent[c][1] - extent[c][0];
      const step = { ArrowUp: 0.01, ArrowRight: 0.01, ArrowDown: -0.01, ArrowLeft: -0.01, PageUp: 0.1, PageDown: -0.1 }[event.key];
      if (event.key === "Home") setEnd(c, end, extent[c][0]);
      else if (event.key === "End") setEnd(c, end, extent[c][1]);
      else if (step) setEnd(c, end, (end ? current(c)[1] : current(c)[0]) + step * span);
      else return;
      event.preventDefault();
    });
    group.addEventListener("pointerdown", (event) => { drag = [c, end]; parallel.setPointerCapture(event.pointerId); group.focus(); event.preventDefault(); });
  };
  let drag = null;
  const current = (c) => state.range.get(c) ?? extent[c];
  const setEnd = (c, end, value) => {
    const [low, high] = current(c), [least, most] = extent[c];
    const kept = Math.max(least, Math.min(most, value));
    const next = end ? [low, Math.max(kept, low)] : [Math.min(kept, high), high];
    if (next[0] <= least && next[1] >= most) state.range.delete(c); else state.range.set(c, next);
    drawAll();
  };
  parallel.addEventListener("pointermove", (event) => {
    if (!drag) return;
    const box = parallel.getBoundingClientRect(), [c, end] = drag;
    const y = 300 * (event.clientY - box.top) / box.height;
    setEnd(c, end, extent[c][0] + (extent[c][1] - extent[c][0]) * (BOTTOM - y) / (BOTTOM - TOP));
  });
  for (const kind of ["pointerup", "pointercancel"]) parallel.addEventListener(kind, () => { drag = null; });

  // ---- response ---------------------------------------------------------------------------------
  const curve = (d, sweep) => {
    const s = data.strategies[d.strategy], n = s.points, at = (2 * d.row + sweep) * n;
    const start = s.start[d.row], step = (s.stop[d.row] - start) / (n - 1);
    return Array.from({ length: n }, (_, i) => [start + i * step, s.top[d.row] - s.step[d.row] * s.levels[at + i]]);
  };
  const drawResponse = () => {
    const svg = byId("x-response");
    clear(svg);
    const chosen = [state.pinned, state.picked].filter((i, k, all) => i !== null && all.indexOf(i) === k)
      .map((i) => designs[i]).filter((d) => data.strategies[d.strategy].points);
    byId("x-response-title").textContent = chosen.length ? `${data.curve.title} of ${chosen.map((d) => d.id).reverse().join(" beside ")}` : `${data.curve.title} (pick a design)`;
    if (!chosen.length) { node("text", { x: 320, y: 170, "text-anchor": "middle", fill: SOFT, "font-size": 13 }, svg, `The ${data.curve.title.toLowerCase()} of the picked design appears here.`); return; }
    const every = chosen.flatMap((d) => [...curve(d, 0), ...curve(d, 1)]);
    const xs = [Math.min(...every.map((p) => p[0])), Math.max(...every.map((p) => p[0]))];
    const top = Math.max(...every.map((p) => p[1])), ys = [Math.max(top - 40, Math.min(...every.map((p) => p[1])) - 1), top + 1.5];
    const [px, py] = frame(svg, [62, 40, 630, 292], xs, ys, data.curve.axis, "level at target (dB re 20 µPa)");
    const line = (d, sweep, extra) => node("path", {
      d: "M" + curve(d, sweep).map(([f, l]) => `${fixed(px(f))},${fixed(py(Math.max(l, ys[0])))}`).join("L"), fill: "none", "stroke-linejoin": "round", ...extra,
    }, svg);
    for (const d of chosen) {
      const main = d.index === state.picked, s = data.strategies[d.strategy];
      if (main && s.low[d.row] !== null) {
        const band = node("rect", { x: px(s.low[d.row]), y: 40, width: Math.max(0, px(s.high[d.row]) - px(s.low[d.row])), height: 252, fill: "#e3eaf0", opacity: 0.7 });
        svg.insertBefore(band, svg.firstChild);
      }
      line(d, 1, { stroke: main ? "#d55e00" : SOFT, "stroke-width": 1.3, "stroke-dasharray": "5 3" });
      line(d, 0, { stroke: main ? "#0072b2" : SOFT, "stroke-width": main ? 2.4 : 1.6 });
    }
    const [main, other] = data.curve.lines;
    const key = [["#0072b2", "none", 2.4, `picked, ${main}`], ["#d55e00", "5 3", 1.3, `picked, ${other}`]];
    if (chosen.length > 1) key.push([SOFT, "none", 1.6, "pinned, both"]);
    key.forEach(([stroke, dash, width, text], k) => {
      node("path", { d: `M${62 + 190 * k},16h28`, stroke, "stroke-dasharray": dash, "stroke-width": width }, svg);
      node("text", { x: 96 + 190 * k, y: 20, "font-size": 12, fill: INK }, svg, text);
    });
  };

  // ---- array ------------------------------------------------------------------------------------
  const shade = (share) => {
    const stops = [[243, 246, 248], [185, 211, 228], [94, 156, 196], [31, 106, 156], [10, 53, 86]];
    const at = Math.min(3.9999, 4 * share), k = Math.floor(at), part = at - k;
    return "rgb(" + stops[k].map((v, i) => Math.round(v + part * (stops[k + 1][i] - v))).join(",") + ")";
  };
  const drawMap = () => {
    const svg = byId("x-map");
    clear(svg);
    if (state.picked === null) {
      byId("x-map-title").textContent = "Array (pick a design)";
      node("text", { x: 220, y: 170, "text-anchor": "middle", fill: SOFT, "font-size": 13 }, svg, "The array map appears here.");
      return;
    }
    const d = designs[state.picked], s = data.strategies[d.strategy];
    byId("x-map-title").textContent = `Array of ${d.id}`;
    const cells = s.sites.map(([x, y], n) => {
      const at = 4 * (s.groups * d.row + s.group[n]), packed = s.cells[at + 1];
      return {
        x: x * s.scale[d.row], y: y * s.scale[d.row], radius: s.cells[at] * 1e-4,
        cover: (packed & 32767) / 10000, ring: packed >= 32768, volts: s.cells[at + 2] / 65535, phase: 2 * Math.PI * s.cells[at + 3] / 65536,
      };
    });
    let half = Math.max(...cells.map((c) => Math.max(Math.abs(c.x), Math.abs(c.y)) + c.radius));
    if (data.die) half = Math.max(half, ...data.die.map((v) => v / 2));
    const unit = 150 / half, X = (v) => fixed(170 + unit * v), Y = (v) => fixed(158 - unit * v);
    if (data.die) node("rect", { x: X(-data.die[0] / 2), y: Y(data.die[1] / 2), width: unit * data.die[0], height: unit * data.die[1], fill: "#fafbfc", stroke: SOFT }, svg);
    const phased = cells.some((c) => Math.abs(c.phase - cells[0].phase) > 1e-3);
    for (const c of cells) {
      const circle = (r, extra) => node("circle", { cx: X(c.x), cy: Y(c.y), r: fixed(unit * r), stroke: SOFT, ...extra }, svg);
      circle(c.radius, { fill: "#fff", "stroke-width": 0.9 });
      circle(c.ring ? c.radius : c.cover * c.radius, { fill: shade(c.volts), "stroke-width": 0.5 });
      if (c.ring) circle((1 - c.cover) * c.radius, { fill: "#fff", "stroke-width": 0.5 });
      if (phased && c.volts > 0) {
        const r = 0.62 * c.radius;
        node("path", { d: `M${X(c.x)},${Y(c.y)}L${X(c.x + r * Math.cos(c.phase))},${Y(c.y + r * Math.sin(c.phase))}`, stroke: c.volts > 0.45 ? "#fff" : INK, "stroke-width": 1.4 }, svg);
      }
    }
    const bar = 10 ** Math.floor(Math.log10(half));
    node("path", { d: `M${X(-half)},326h${fixed(unit * bar)}`, stroke: INK, "stroke-width": 2 }, svg);
    node("text", { x: Number(X(-half)) + unit * bar + 6, y: 330, "font-size": 12, fill: INK }, svg, `${bar} mm`);
    for (let k = 0; k < 24; k++) node("rect", { x: 348, y: 258 - 8 * k, width: 14, height: 8.4, fill: shade((k + 0.5) / 24) }, svg);
    for (const part of [0, 0.5, 1]) node("text", { x: 368, y: 270 - 192 * part, "font-size": 12, fill: INK }, svg, `${show(part * s.most)} V`);
    node("text", { x: 348, y: 58, "font-size": 12, fill: INK }, svg, "drive");
  };

  // ---- list, table, commands --------------------------------------------------------------------
  const list = byId("x-list");
  const drawList = () => {
    const rows = designs.filter(inside);
    const better = columns[state.y].sense === "min" ? 1 : -1;
    rows.sort((a, b) => better * ((a.v[state.y] ?? 0) - (b.v[state.y] ?? 0)) || a.index - b.index);
    list.replaceChildren(...rows.map((d) => {
      const option = new Option(`${d.id}: ${withUnit(state.y, d.v[state.y])}, ${withUnit(state.x, d.v[state.x])}`, d.index);
      option.selected = d.index === state.picked;
      return option;
    }));
    byId("x-status").textContent = `${rows.length} of ${designs.length} designs within the ranges.` + (state.picked === null ? "" : ` Picked ${designs[state.picked].id}: ${columns[state.y].name} ${withUnit(state.y, designs[state.picked].v[state.y])}, ${columns[state.x].name} ${withUnit(state.x, designs[state.picked].v[state.x])}.`);
  };
  list.addEventListener("change", () => { if (list.value !== "") pick(Number(list.value)); });
  list.addEventListener("keydown", (event) => { if (event.key === "Enter" && state.picked !== null) { pin(); event.preventDefault(); } });
  const drawPick = () => {
    const d = state.picked === null ? null : designs[state.picked], p = state.pinned === null ? null : designs[state.pinned];
    byId("x-pick-title").textContent = d ? `Picked: ${d.id}` : "No design picked";
    byId("x-pin").disabled = byId("x-copy").disabled = !d;
    byId("x-unpin").disabled = !p;
    byId("x-commands").textContent = d ? `arrayopt verify ${data.directory} ${d.id}\narrayopt export ${data.directory} ${d.id} --to OUT` : "Pick a design to see its commands.";
    const table = byId("x-table");
    table.replaceChildren();
    if (!d) return;
    const t = document.createElement("table"), head = t.createTHead().insertRow(), body = t.createTBody();
    const cell = (row, kind, text, scope) => { const c = document.createElement(kind); c.textContent = text; if (scope) c.scope = scope; if (kind === "td") c.className = "n"; row.appendChild(c); };
    t.createCaption().textContent = p && p !== d ? "The picked design beside the pinned one." : "The picked design.";
    ["quantity", d.id, ...(p && p !== d ? [`${p.id} (pinned)`] : [])].forEach((text) => cell(head, "th", text, "col"));
    columns.forEach((_, c) => {
      const row = body.insertRow();
      cell(row, "th", label(c), "row");
      cell(row, "td", show(d.v[c]));
      if (p && p !== d) cell(row, "td", show(p.v[c]));
    });
    table.appendChild(t);
  };
  const pick = (index) => { state.picked = index; drawAll(); };
  const pin = () => { state.pinned = state.picked; drawAll(); };

  // ---- controls ---------------------------------------------------------------------------------
  const fill = (select, chosen) => columns.forEach((_, c) => select.add(new Option(label(c), c, false, c === chosen)));
  fill(byId("x-x"), state.x);
  fill(byId("x-y"), state.y);
  fill(byId("x-axis"), state.axes.length < columns.length ? columns.findIndex((_, c) => !state.axes.includes(c)) : 0);
  byId("x-x").addEventListener("change", (event) => { state.x = Number(event.target.value); drawAll(); });
  byId("x-y").addEventListener("change", (event) => { state.y = Number(event.target.value); drawAll(); });
  byId("x-add").addEventListener("click", () => { const c = Number(byId("x-axis").value); if (!state.axes.includes(c)) { state.axes.push(c); drawAll(); } });
  byId("x-remove").addEventListener("click", () => { const c = Number(byId("x-axis").value); state.axes = state.axes.filter((a) => a !== c); state.range.delete(c); drawAll(); });
  byId("x-clear").addEventListener("click", () => { state.range.clear(); drawAll(); });
  byId("x-pin").addEventListener("click", pin);
  byId("x-unpin").addEventListener("click", () => { state.pinned = null; drawAll(); });
  byId("x-copy").addEventListener("click", () => {
    // the clipboard is not offered to pages opened from a file in every browser; selecting always is
    getSelection().selectAllChildren(byId("x-commands"));
    const done = document.execCommand("copy");
    byId("x-status").textContent = done ? "Commands copied." : "Commands selected; copy them with the keyboard.";
  });
  data.strategies.forEach((s, k) => {
    const box = document.createElement("label"), input = document.createElement("input");
    input.type = "checkbox"; input.checked = true;
    input.addEventListener("change", () => { state.visible[k] = input.checked; drawAll(); });
    const swatch = node("svg", { viewBox: "0 0 30 12", width: 30, height: 12, "aria-hidden": "true", style: "width:30px;height:12px" });
    node("path", { d: "M0,6H30", stroke: s.colour, "stroke-width": 1.6, "stroke-dasharray": s.dash || "none" }, swatch);
    point(s, 15, 6, 4, swatch, {});
    box.append(input, swatch, ` ${s.name}`);
    byId("x-strategies").append(box);
  });
  let waiting = false;
  const drawAll = () => {
    if (waiting) return;
    waiting = true;
    queueMicrotask(() => {
      waiting = false;
      drawScatter(); drawParallel(); drawList(); drawResponse(); drawMap(); drawPick();
    });
  };
  byId("x-app").hidden = false;
  addEventListener("resize", drawAll);
  drawAll();
})();
