"use strict";
(() => {
document.documentElement.classList.add("js");
const css = name => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
const dashes = [[], [8, 4], [2, 3], [10, 3, 2, 3]];
const clock = s => {
  const sign = s < 0 ? "−" : ""; s = Math.round(Math.abs(s));
  const two = n => String(n).padStart(2, "0");
  return sign + Math.floor(s / 3600) + ":" + two(Math.floor(s / 60) % 60) + ":" + two(s % 60);
};
const steps = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 14400, 21600, 43200, 86400];

// unpack turns a trace into numbers: null breaks the curve, undefined says nothing. The
// page holds differences, five bits to a sign, the lowest first.
const signs = new Int8Array(128);
[..."ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"].forEach((s, i) => { signs[s.charCodeAt(0)] = i; });
function unpack(c) {
  const out = [], text = c.v;
  let last = 0;
  for (let i = 0; i < text.length; i++) {
    const s = text.charCodeAt(i);
    if (s === 46) { out.push(undefined); continue; }
    if (s === 33) { out.push(null); continue; }
    let u = 0, power = 1, d = signs[s];
    for (; d > 31; d = signs[text.charCodeAt(++i)]) { u += (d - 32) * power; power *= 32; }
    u += d * power;
    last += u % 2 ? -(u + 1) / 2 : u / 2;
    out.push(last / c.scale);
  }
  return out;
}
// short is a number on an axis in few places.
function short(v, span) {
  const a = Math.abs(v), digits = span < 4 ? 1 : 0;
  const s = a >= 1e9 ? +(v / 1e9).toFixed(1) + " G" : a >= 1e6 ? +(v / 1e6).toFixed(1) + " M" : a >= 1e5 ? +(v / 1e3).toFixed(1) + " k" : v.toFixed(digits);
  return s.replace("-", "−");
}

// at is the value of a channel at a place, or the nearest said one close by.
function at(values, i) {
  for (let d = 0; d < 12; d++) {
    for (const j of [i - d, i + d]) {
      if (values[j] === null) { if (d < 2) return null; } else if (values[j] !== undefined) return values[j];
    }
  }
  return null;
}

function runChart(section) {
  const id = section.dataset.run;
  const data = JSON.parse(document.getElementById(id + "-data").textContent);
  const list = key => data[key] || [];
  const channels = data.channels.map((c, i) => ({...c, i, values: unpack(c), shown: true}));
  const n = channels.length ? channels[0].values.length : 0;
  const xs = new Float64Array(n);
  for (let i = 0; i < n; i++) xs[i] = data.from + (i / 2 + 0.25) * data.step;
  const whole = {min: data.from, max: data.from + n / 2 * data.step};
  // Where the start is known the axis shows the time of day, else the time of the run.
  const began = Date.parse(data.started), offset = isNaN(began) ? 0 : began / 1000 % 86400;
  const timeOfDay = s => new Date(began + Math.round(s) * 1000).toISOString().slice(11, 19);
  const axisTime = s => isNaN(began) ? clock(s) : timeOfDay(s);
  const load = list("phases").find(p => p.phase === "load");
  let probes = 0;
  for (const c of channels) {
    c.dash = dashes[0]; c.width = 1.5;
    if (c.role === "probe") {
      c.color = "--s" + probes % 5; c.dash = dashes[Math.floor(probes / 5) % 4]; probes++;
      if (data.peak && data.peak.channel === c.name) c.width = 2.6;
    } else if (c.kind === "temperature") {
      c.color = "--amb"; c.dash = dashes[1 + (channels.filter(o => o.i < c.i && o.kind === c.kind && o.role !== "probe").length) % 3];
    } else {
      const before = channels.filter(o => o.i < c.i && o.kind === c.kind).length;
      c.color = "--s" + before % 5; c.dash = dashes[Math.floor(before / 5) % 4];
    }
  }
  const plots = [];
  const area = section.querySelector(".plots");
  const readout = section.querySelector(".readout"), range = section.querySelector(".range"), said = section.querySelector(".said");

  // What is drawn under the curves: phases, gaps, limits with their guard band.
  function back(u) {
    const g = u.ctx, b = u.bbox, px = s => Math.round(u.valToPos(s, "x", true));
    const clip = (a, z) => [Math.max(b.left, Math.min(b.left + b.width, px(a))), Math.max(b.left, Math.min(b.left + b.width, px(z)))];
    g.save();
    if (load) { const [a, z] = clip(load.from, load.to); g.fillStyle = css("--tint"); g.fillRect(a, b.top, z - a, b.height); }
    for (const [from, to] of list("gaps")) {
      let [a, z] = clip(from, to); z = Math.max(z, a + 2);
      g.save(); g.beginPath(); g.rect(a, b.top, z - a, b.height); g.clip(); g.strokeStyle = css("--soft"); g.lineWidth = 1;
      for (let x = a - b.height; x < z; x += 9) { g.beginPath(); g.moveTo(x, b.top + b.height); g.lineTo(x + b.height, b.top); g.stroke(); }
      g.restore();
    }
    g.restore();
  }
  function under(u, kind) {
    const g = u.ctx, b = u.bbox;
    g.save();
    if (kind === "temperature") for (const l of list("limits")) {
      const y = v => u.valToPos(v, "y", true);
      if (l.guard) { g.globalAlpha = .14; g.fillStyle = css("--bad"); g.fillRect(b.left, y(l.bound + l.guard), b.width, y(l.bound - l.guard) - y(l.bound + l.guard)); g.globalAlpha = 1; }
      g.strokeStyle = css("--bad"); g.setLineDash([6 * devicePixelRatio, 4 * devicePixelRatio]); g.lineWidth = 1.5 * devicePixelRatio;
      g.beginPath(); g.moveTo(b.left, y(l.bound)); g.lineTo(b.left + b.width, y(l.bound)); g.stroke(); g.setLineDash([]);
      text(u, "limit " + l.name + " " + l.bound + " " + l.unit, b.left + 6 * devicePixelRatio, y(l.bound) - 4 * devicePixelRatio, css("--bad"));
    }
    g.restore();
  }
  const font = size => "600 " + size * devicePixelRatio + "px Liberation Sans, Arial, sans-serif";
  function text(u, s, x, y, color, align) {
    const g = u.ctx; g.font = font(11);
    g.fillStyle = color; g.textAlign = align || "left"; g.textBaseline = "bottom"; g.fillText(s, x, y);
  }
  // What is drawn over the curves: marks, what was noticed, the peak, faults.
  function over(u, kind, first) {
    const g = u.ctx, b = u.bbox, r = devicePixelRatio, px = s => u.valToPos(s, "x", true);
    const inside = s => px(s) >= b.left - 1 && px(s) <= b.left + b.width + 1;
    g.save(); g.setLineDash([]);
    const free = [-1, -1]; // marks stand above the curves, in two rows where they are close
    for (const m of list("marks")) if (inside(m.at)) {
      const x = px(m.at);
      g.strokeStyle = css("--soft"); g.setLineDash([2 * r, 3 * r]); g.lineWidth = r;
      g.beginPath(); g.moveTo(x, b.top); g.lineTo(x, b.top + b.height); g.stroke(); g.setLineDash([]);
      if (!first) continue;
      const s = m.text.length > 36 ? m.text.slice(0, 35) + "…" : m.text;
      g.font = font(11);
      const wide = g.measureText(s).width, back = x + wide > u.ctx.canvas.width - 4 * r, from = back ? x - wide : x;
      const row = free.findIndex(f => from > f);
      if (row < 0 || from < 0) continue;
      free[row] = from + wide + 8 * r;
      text(u, s, x, b.top - (3 + row * 14) * r, css("--soft"), back ? "right" : "left");
    }
    if (first) {
      let last = -1e9, row = 0;
      for (const f of [...list("noticed")].sort((p, q) => p.from - q.from)) {
        if (!inside(f.from) && !(f.from < u.scales.x.min && f.to > u.scales.x.min)) continue;
        const x = Math.max(px(f.from), b.left);
        row = x - last < 20 * r ? row + 1 : 0; last = x;
        const y = b.top + (14 + row % 4 * 18) * r;
        g.fillStyle = g.strokeStyle = css(f.grave ? "--bad" : "--unknown"); g.lineWidth = 2 * r;
        if (f.to > f.from) { g.beginPath(); g.moveTo(x, y); g.lineTo(Math.min(px(f.to), b.left + b.width), y); g.stroke(); }
        g.beginPath(); g.arc(x, y, 8 * r, 0, 7); g.fill();
        text(u, String(f.n), x, y + 6 * r, css("--sheet"), "center");
      }
      if (data.peak && inside(data.peak.at)) {
        const y = u.valToPos(data.peak.value, "y", true); g.strokeStyle = css("--ink"); g.lineWidth = 1.5 * r;
        g.beginPath(); g.arc(px(data.peak.at), y, 6 * r, 0, 7); g.stroke();
      }
    }
    const mine = channels.filter(c => c.kind === kind);
    for (const f of list("faults")) {
      const c = channels[f.channel];
      if (c.kind !== kind || !c.shown) continue;
      const row = mine.indexOf(c), a = Math.max(px(f.from), b.left), z = Math.min(Math.max(px(f.to), a + 2 * r), b.left + b.width);
      if (z < b.left || a > b.left + b.width) continue;
      g.fillStyle = css(c.color); g.fillRect(a, b.top + b.height - (4 + row * 4) * r, z - a, 3 * r);
    }
    g.restore();
  }

  function build() {
    for (const p of plots) p.destroy();
    plots.length = 0;
    const width = Math.max(280, area.clientWidth - 14);
    section.querySelectorAll(".plot").forEach((div, k) => {
      const kind = div.dataset.kind, mine = channels.filter(c => c.kind === kind);
      const axis = {stroke: css("--soft"), grid: {stroke: css("--line"), width: 1}, ticks: {stroke: css("--line")}, font: "12px Liberation Sans, Arial, sans-serif"};
      const u = new uPlot({
        width, height: k === 0 ? 420 : 150, pxAlign: false, padding: [k === 0 ? 34 : 8, 16, 0, 4],
        scales: {x: {time: false, range: (_, a, z) => [Math.max(whole.min, a), Math.min(whole.max, z)]}, y: {range: (_, a, z) => {
          if (a === null) return [0, 1];
          if (k === 0) for (const l of list("limits")) if (l.bound - z < 0.5 * (z - a) + 5 && l.bound > z) z = l.bound + l.guard;
          const pad = Math.max((z - a) * .06, .5);
          return [kind === "power" ? Math.min(0, a) : a - pad, z + pad];
        }}},
        legend: {show: false},
        cursor: {sync: {key: id, setSeries: false}, drag: {x: true, y: false}, points: {size: 6}},
        axes: [{...axis, incrs: steps, space: 70,
                splits: (_, __, a, z, incr) => { const out = []; for (let s = Math.ceil((a + offset) / incr) * incr - offset; s <= z; s += incr) out.push(s); return out; },
                values: (_, v) => v.map(s => data.step < 30 && u0span(u0()) < 1800 ? axisTime(s) : axisTime(s).slice(0, -3) || "0")},
               {...axis, size: 58, values: (_, v) => v.map(y => short(y, v.length > 1 ? v[v.length - 1] - v[0] : 0))}],
        series: [{}, ...mine.map(c => ({label: c.name, stroke: css(c.color), width: c.width, dash: c.dash, show: c.shown, points: {show: false}, spanGaps: false}))],
        hooks: {drawClear: [back], drawAxes: [u => under(u, kind)], draw: [u => over(u, kind, k === 0)], setCursor: [u => { if (u.cursor.idx != null && !quiet) show(u.cursor.idx); }],
          setScale: [(u, key) => { if (key === "x") zoomed(u); }]},
      }, [xs, ...mine.map(c => c.values)], div);
      plots.push(u);
    });
  }
  const u0 = () => plots[0];
  const u0span = u => u ? u.scales.x.max - u.scales.x.min : whole.max - whole.min;
  let syncing = false, quiet = false, place = -1;
  function zoomed(u) {
    if (syncing || u.scales.x.min == null) return;
    syncing = true;
    for (const p of plots) if (p !== u) p.setScale("x", {min: u.scales.x.min, max: u.scales.x.max});
    syncing = false;
    const part = u0span(u) < (whole.max - whole.min) * .999;
    range.textContent = part ? "showing " + clock(u.scales.x.min) + " to " + clock(u.scales.x.max) : "";
  }
  function zoom(min, max) {
    const least = data.step * 4;
    if (max - min < least) { const m = (min + max) / 2; min = m - least / 2; max = m + least / 2; }
    min = Math.max(whole.min, min); max = Math.min(whole.max, max);
    for (const p of plots) p.setScale("x", {min, max});
  }
  function scaled(by) {
    const s = u0().scales.x, m = place >= 0 && xs[place] > s.min && xs[place] < s.max ? xs[place] : (s.min + s.max) / 2;
    zoom(m - (m - s.min) * by, m + (s.max - m) * by);
  }

  // The readout: one button for each channel, which hides and shows its curve.
  const cells = channels.map(c => {
    const b = document.createElement("button");
    b.type = "button"; b.setAttribute("aria-pressed", "true"); b.title = "hide or show";
    const line = '<svg width="30" height="10" aria-hidden="true"><line x1="0" y1="5" x2="30" y2="5" stroke="var(' + c.color + ')" stroke-width="' + (c.width + .6) + '" stroke-dasharray="' + c.dash.join(" ") + '"/></svg>';
    b.innerHTML = line + '<span class="n"></span><span class="v"></span>';
    b.querySelector(".n").textContent = c.name + (c.place ? ", " + c.place : "");
    b.addEventListener("click", () => {
      c.shown = !c.shown; b.setAttribute("aria-pressed", c.shown);
      for (const p of plots) p.series.forEach((s, i) => { if (i && s.label === c.name) p.setSeries(i, {show: c.shown}); });
    });
    readout.append(b);
    return b.querySelector(".v");
  });
  function valueAt(c, i) {
    const half = data.step / 2;
    const fault = list("faults").find(f => f.channel === c.i && xs[i] >= f.from - half && xs[i] <= f.to + half);
    const v = at(c.values, i);
    if (v === null) return fault ? {fault: fault.words} : {none: true};
    return {v: v.toFixed(c.kind === "temperature" || c.kind === "power" ? 1 : 2).replace("-", "−") + " " + c.unit, fault: fault && fault.words};
  }
  function show(i) {
    place = i;
    channels.forEach((c, k) => {
      const r = valueAt(c, i);
      cells[k].textContent = r.v || (r.fault ? r.fault : "no value");
      cells[k].className = r.fault && !r.v ? "v f" : "v";
    });
    range.textContent = "at " + clock(xs[i]) + wall(xs[i]);
  }
  function wall(s) {
    return isNaN(began) ? "" : " (" + timeOfDay(s) + " UTC)";
  }
  function move(by) {
    const s = u0().scales.x;
    let i = place < 0 ? Math.floor(n / 2) : place + by;
    i = Math.max(0, Math.min(n - 1, i));
    const p = u0();
    quiet = true;
    p.setCursor({left: p.valToPos(xs[i], "x"), top: 20});
    quiet = false;
    show(i);
    if (xs[i] < s.min || xs[i] > s.max) { const w = s.max - s.min; zoom(xs[i] - w / 2, xs[i] + w / 2); }
    said.textContent = clock(xs[i]) + ": " + channels.filter(c => c.shown).map(c => { const r = valueAt(c, i); return c.name + " " + (r.v || r.fault || "no value"); }).join(", ");
  }
  area.addEventListener("keydown", e => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const per = Math.max(1, Math.round(u0span(u0()) / data.step * 2 / 300)) * (e.shiftKey ? 10 : 1);
    const act = {ArrowLeft: () => move(-per), ArrowRight: () => move(per), "+": () => scaled(.5), "=": () => scaled(.5), "-": () => scaled(2),
      "0": () => zoom(whole.min, whole.max), Home: () => move(-n), End: () => move(n)}[e.key];
    if (act) { e.preventDefault(); act(); }
  });
  section.querySelector(".tools").addEventListener("click", e => {
    const act = {all: () => zoom(whole.min, whole.max), load: () => load && zoom(load.from - 60, load.to + 60), in: () => scaled(.5), out: () => scaled(2)}[e.target.dataset.do];
    if (act) act();
  });
  const article = section.closest("article");
  article.querySelectorAll(".noticed li[data-from]").forEach(li => {
    const b = document.createElement("button");
    b.type = "button"; b.textContent = "show";
    b.addEventListener("click", () => {
      const from = +li.dataset.from, to = +li.dataset.to, pad = Math.max(120, (to - from) * .25);
      zoom(from - pad, to + pad); section.scrollIntoView({block: "start"}); area.focus();
    });
    li.append(b);
  });
  build();
  const dark = matchMedia("(prefers-color-scheme: dark)");
  dark.addEventListener("change", build);
  let wide = area.clientWidth;
  new ResizeObserver(() => { if (Math.abs(area.clientWidth - wide) > 2) { wide = area.clientWidth; for (const p of plots) p.setSize({width: Math.max(280, wide - 14), height: p.height}); } }).observe(area);
  section.soakChart = {plots, zoom, move, whole};
}
document.querySelectorAll("section.chart").forEach(runChart);
// Printed, everything is open.
addEventListener("beforeprint", () => document.querySelectorAll("details").forEach(d => { if (!d.open) { d.open = true; d.dataset.shut = "1"; } }));
addEventListener("afterprint", () => document.querySelectorAll("details[data-shut]").forEach(d => { d.open = false; delete d.dataset.shut; }));
})();
