"use strict";
// Draws what of a recording is in view. Samples come thinned to the extremes of each moment; a column of
// pixels shows the extremes of what falls into it, so a dip is seen at any zoom.
const said = JSON.parse(document.getElementById("data").textContent);
const canvas = document.getElementById("plot"), pen = canvas.getContext("2d");
const COLOUR = { base: "#0060a0", catalyst_1: "#c04f00", catalyst_2: "#00795a", air: "#6b4fa0" };
const DASH = { base: [], catalyst_1: [7, 3], catalyst_2: [2, 2.5], air: [8, 3, 2, 3] };
const INK = "#1b2024", SOFT = "#59636b", RULE = "#d5dadd", WRONG = "#a3231c";
const STATE = { dispensing: "#bcd7c5", stalled: "#f1efe4", purging: "#b9cfe6", off: "#ffffff", no_data: "#e3e3e3" };
const RARER = ["stalled", "dispensing", "off", "no_data", "purging"];
const start = said.start_ms, end = said.end_ms, whole = Math.max(end - start, 1);
let from = start, to = end, width = 0, queued = false, loaded = null;

async function unpacked(text, Numbers) {
  const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Numbers(await new Response(stream).arrayBuffer());
}
async function times(text) {
  const apart = await unpacked(text, Uint32Array), at = new Float64Array(apart.length);
  for (let i = 0, sum = 0; i < at.length; i++) at[i] = start + (sum += apart[i]) * said.tick_ms;
  return at;
}
async function values(one) {
  const steps = await unpacked(one.v, Int16Array);
  return Float32Array.from(steps, (step) => step * one.scale);
}
async function load() {
  const traces = [];
  for (const one of said.traces) {
    const at = await times(one.t), psi = await values(one);
    // Where samples lie this far apart, some are missing.
    const usual = at.length > 2 ? (at[at.length - 1] - at[0]) / at.length : 1000;
    traces.push({ name: one.name, at, psi, gap: Math.max(1000, 6 * usual) });
  }
  const reversals = {};
  for (const part in said.reversals) reversals[part] = await times(said.reversals[part]);
  const b = said.balance;
  return { traces, reversals, balance: { from: await times(b.from), to: await times(b.to), psi: await values(b) } };
}
function place(at, time) { // first not before `time`
  let low = 0, high = at.length;
  while (low < high) { const mid = (low + high) >> 1; if (at[mid] < time) low = mid + 1; else high = mid; }
  return low;
}
const x = (time) => ((time - from) / (to - from)) * width;
const two = (n, d = 2) => String(n).padStart(d, "0");
function clock(ms, fine) {
  const t = new Date(ms);
  const text = `${two(t.getUTCHours())}:${two(t.getUTCMinutes())}`;
  if (fine >= 60000) return text;
  return `${text}:${two(t.getUTCSeconds())}${fine < 1000 ? "." + two(t.getUTCMilliseconds(), 3).slice(0, 1) : ""}`;
}
const date = (ms) => new Date(ms).toISOString().slice(0, 10);
function length(ms) {
  const s = ms / 1000;
  if (s < 120) return `${s.toFixed(s < 10 ? 1 : 0)} s`;
  if (s < 7200) return `${(s / 60).toFixed(0)} min`;
  return s < 172800 ? `${(s / 3600).toFixed(1)} h` : `${(s / 86400).toFixed(1)} days`;
}

const lanes = {};
function layout() {
  width = canvas.clientWidth;
  const tall = Math.max(170, Math.min(340, window.innerHeight * 0.38));
  let top = 20;
  for (const [name, height] of [["pressure", tall], ["balance", 96], ["strokes", 30], ["pump", 22], ["stops", 22], ["faults", 82]]) {
    lanes[name] = { top: top + 15, height };
    top += height + 21;
  }
  const sharp = window.devicePixelRatio || 1;
  canvas.style.height = `${top}px`;
  canvas.width = Math.round(width * sharp);
  canvas.height = Math.round(top * sharp);
  pen.setTransform(sharp, 0, 0, sharp, 0, 0);
  lanes.bottom = top;
}
function words(text, at, y, colour = INK, align = "left", font = "12px sans-serif") {
  pen.font = font; pen.textAlign = align;
  // A plate under words keeps them readable over a trace.
  const wide = pen.measureText(text).width, left = align === "right" ? at - wide : align === "center" ? at - wide / 2 : at;
  pen.fillStyle = "rgba(255,255,255,.78)"; pen.fillRect(left - 2, y - 10, wide + 4, 13);
  pen.fillStyle = colour; pen.fillText(text, at, y);
}
function hatch(left, top, wide, high, colour, step = 6, back = false) {
  pen.save(); pen.beginPath(); pen.rect(left, top, wide, high); pen.clip();
  pen.strokeStyle = colour; pen.lineWidth = 1.2; pen.beginPath();
  for (let at = Math.floor((left - high) / step) * step; at < left + wide + high; at += step) {
    pen.moveTo(at, back ? top : top + high); pen.lineTo(at + high, back ? top + high : top);
  }
  pen.stroke(); pen.restore();
}
const STEPS_MS = [100, 200, 500, 1e3, 2e3, 5e3, 1e4, 3e4, 6e4, 12e4, 3e5, 6e5, 9e5, 18e5, 36e5, 72e5, 108e5, 216e5, 432e5, 864e5, 1728e5, 6048e5, 2592e6, 31536e6];
function axis() {
  const least = ((to - from) / width) * 74, step = STEPS_MS.find((s) => s >= least) || least;
  pen.strokeStyle = RULE; pen.lineWidth = 1; pen.beginPath();
  const ticks = [];
  for (let at = Math.ceil(from / step) * step; at <= to; at += step) {
    pen.moveTo(x(at), 18); pen.lineTo(x(at), lanes.bottom); ticks.push(at);
  }
  pen.stroke();
  let day = "";
  for (const at of ticks) {
    const text = step >= 864e5 || (date(at) !== day && at % 864e5 === 0) ? date(at).slice(5) : clock(at, step);
    day = date(at);
    if (x(at) > 22 && x(at) < width - 22) words(text, x(at), 13, SOFT, "center");
  }
  for (const [name, text] of [["pressure", "pressure, psi"], ["balance", "balance of each stroke, psi (catalyst 1 less 2)"], ["strokes", "reversals: base above, catalyst below"], ["pump", "pump"], ["stops", "stops, purges, changeovers"], ["faults", "faults of gauges"]])
    words(text, 4, lanes[name].top - 4, SOFT, "left", "11px sans-serif");
}
function pressures() {
  const { top, height } = lanes.pressure;
  let least = 0, most = 100;
  const inside = loaded.traces.map((trace) => [Math.max(0, place(trace.at, from) - 1), Math.min(trace.at.length, place(trace.at, to) + 1)]);
  loaded.traces.forEach((trace, n) => {
    for (let i = inside[n][0]; i < inside[n][1]; i++) { const v = trace.psi[i]; if (v > most) most = v; if (v < least) least = v; }
  });
  const room = (most - least) * 0.04; most += room; least -= least < 0 ? room : 0;
  const y = (psi) => top + height - ((psi - least) / (most - least)) * height;
  const step = [10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 1e4, 2e4, 5e4].find((s) => ((most - least) / s) * 26 <= height) || 1e5;
  pen.strokeStyle = RULE; pen.beginPath();
  for (let psi = Math.ceil(least / step) * step; psi <= most; psi += step) { pen.moveTo(0, y(psi)); pen.lineTo(width, y(psi)); }
  pen.stroke();
  pen.save(); pen.beginPath(); pen.rect(0, top, width, height); pen.clip();
  loaded.traces.forEach((trace, n) => {
    const [first, last] = inside[n];
    pen.strokeStyle = COLOUR[trace.name] || INK; pen.lineWidth = 1.4;
    pen.beginPath();
    if (last - first > 3 * width) {
      let column = -1, low = 0, high = 0;
      const draw = () => { if (column >= 0) { pen.moveTo(column + 0.5, y(low) + 0.7); pen.lineTo(column + 0.5, y(high) - 0.7); } };
      for (let i = first; i < last; i++) {
        const at = Math.floor(x(trace.at[i])), psi = trace.psi[i];
        if (at !== column) { draw(); column = at; low = high = psi; } else if (psi < low) low = psi; else if (psi > high) high = psi;
      }
      draw();
      pen.globalAlpha = 0.8;
    } else {
      pen.setLineDash(DASH[trace.name] || []);
      for (let i = first; i < last; i++) {
        const broken = i === first || trace.at[i] - trace.at[i - 1] > trace.gap;
        if (broken) pen.moveTo(x(trace.at[i]), y(trace.psi[i])); else pen.lineTo(x(trace.at[i]), y(trace.psi[i]));
      }
    }
    pen.stroke(); pen.setLineDash([]); pen.globalAlpha = 1;
  });
  pen.restore();
  for (let psi = Math.ceil(least / step) * step || 0; psi <= most; psi += step)
    if (y(psi) > top + 8) words(psi.toLocaleString("en-GB"), 4, y(psi) + 4, SOFT, "left", "11px sans-serif");
}
function balances() {
  const { top, height } = lanes.balance, { from: begins, to: ends, psi } = loaded.balance, [caution, out] = said.limits;
  const first = Math.max(0, place(ends, from) - 1), last = place(begins, to);
  let most = out * 1.3;
  for (let i = first; i < last; i++) most = Math.max(most, Math.abs(psi[i]));
  const zero = top + height / 2, y = (v) => zero - (v / most) * (height / 2);
  for (const [limit, dash, name] of [[caution, [4, 4], "caution"], [out, [], "out"]]) {
    pen.strokeStyle = limit === out ? WRONG : SOFT; pen.setLineDash(dash); pen.lineWidth = 1; pen.beginPath();
    for (const sign of [1, -1]) { pen.moveTo(0, y(sign * limit)); pen.lineTo(width, y(sign * limit)); }
    pen.stroke(); pen.setLineDash([]);
    words(`${name} ${limit}`, width - 4, y(limit) + (limit === out ? -2 : 11), SOFT, "right", "11px sans-serif");
  }
  pen.strokeStyle = SOFT; pen.beginPath(); pen.moveTo(0, zero); pen.lineTo(width, zero); pen.stroke();
  for (let i = first; i < last; i++) {
    const left = x(begins[i]), wide = Math.max(1, x(ends[i]) - left - 0.5), far = y(psi[i]);
    pen.fillStyle = Math.abs(psi[i]) > out ? WRONG : Math.abs(psi[i]) > caution ? "#c98a00" : "#7d8b94";
    pen.fillRect(left, Math.min(zero, far), wide, Math.max(1, Math.abs(far - zero)));
  }
}
function reversals() {
  ["base", "catalyst"].forEach((part, row) => {
    const at = loaded.reversals[part] || [], first = place(at, from), last = place(at, to);
    const top = lanes.strokes.top + row * 15, colour = part === "base" ? COLOUR.base : COLOUR.catalyst_1;
    let before = -9;
    pen.strokeStyle = colour; pen.lineWidth = 1; pen.beginPath();
    for (let i = first; i < last; i++) {
      const here = x(at[i]); if (here - before < 0.8) continue; before = here;
      pen.moveTo(here, top); pen.lineTo(here, top + (row ? 8 : 12));
    }
    pen.stroke();
    words(`${last - first}`, width - 4, top + 10, INK, "right", "11px sans-serif");
  });
}
function states() {
  const { top, height } = lanes.pump, shown = said.states.filter((s) => s[1] > from && s[0] < to);
  for (const kind of RARER) {
    let until = -9;
    for (const [begins, ends, what] of shown) {
      if (what !== kind) continue;
      const left = Math.max(0, x(begins)), right = Math.min(width, x(ends));
      if (right <= until) continue;
      const wide = Math.max(1, right - left); until = left + wide;
      pen.fillStyle = STATE[kind]; pen.fillRect(left, top, wide, height);
      if (kind === "purging" && wide > 3) hatch(left, top, wide, height, COLOUR.base, 5);
      if (kind === "no_data" && wide > 3) { hatch(left, top, wide, height, SOFT, 7); hatch(left, top, wide, height, SOFT, 7, true); }
      if (wide > 4) { pen.strokeStyle = SOFT; pen.lineWidth = 0.6; pen.strokeRect(left, top, wide, height); }
      pen.font = "12px sans-serif";
      const word = what.replace("_", " ");
      if (pen.measureText(word).width < wide - 6) words(word, left + wide / 2, top + 15, INK, "center");
    }
  }
}
const ROWS = ["all", "base", "catalyst_1", "catalyst_2", "air"];
function marks() {
  const lines = {};
  for (const [begins, ends, lane, what] of said.marks) {
    if (ends < from || begins > to || lane === "pump") continue; // its state shows there
    const row = lane.startsWith("faults:") ? Math.max(0, ROWS.indexOf(lane.slice(7))) : 0;
    const box = lane === "stops" ? lanes.stops : lane === "balance" ? lanes.balance : lanes.faults;
    const high = lane === "stops" ? box.height : lane === "balance" ? 6 : 15, top = box.top + row * 16.5;
    const left = Math.max(0, x(begins)), wide = Math.max(3, Math.min(width, x(ends)) - left);
    const wrong = lane !== "stops" || what.includes("not purged");
    pen.fillStyle = wrong ? "#f6dedb" : "#e6edf2"; pen.fillRect(left, top, wide, high);
    if (wrong) hatch(left, top, wide, high, WRONG, 5);
    pen.strokeStyle = wrong ? WRONG : SOFT; pen.lineWidth = 1; pen.strokeRect(left, top, wide, high);
    if (lane !== "balance") (lines[box.top + row] ??= []).push({ what, left, wide, top });
  }
  pen.font = "11px sans-serif";
  for (const line of Object.values(lines)) {
    line.sort((one, other) => one.left - other.left);
    line.forEach(({ what, left, wide, top }, n) => {
      // Narrow ones are named beside, as far as the next one leaves room.
      const room = pen.measureText(what).width, inside = room < wide - 6, at = inside ? left + 4 : left + wide + 3;
      const until = inside ? left + wide : n + 1 < line.length ? line[n + 1].left : width;
      if (at + room < until) words(what, at, top + 11, INK, "left", "11px sans-serif");
    });
  }
  ROWS.forEach((name, row) => words(name.replace("_", " "), width - 4, lanes.faults.top + row * 16.5 + 11, SOFT, "right", "11px sans-serif"));
}
function draw() {
  queued = false;
  pen.clearRect(0, 0, width, lanes.bottom);
  pen.fillStyle = "#fff"; pen.fillRect(0, 0, width, lanes.bottom);
  axis();
  if (!loaded) { words("reading …", width / 2, lanes.pressure.top + 40, SOFT, "center"); return; }
  pressures(); balances(); reversals(); states(); marks();
  const thin = to - from < width * said.moment_ms ? `; of each ${length(said.moment_ms)} the lowest and highest reading` : "";
  document.getElementById("view").textContent = `${date(from)} ${clock(from, to - from > 6e5 ? 6e4 : 1e3)} to ${date(to) === date(from) ? "" : date(to) + " "}${clock(to, to - from > 6e5 ? 6e4 : 1e3)}, ${length(to - from)}${thin}`;
}
function redraw() { if (!queued) { queued = true; requestAnimationFrame(draw); } }
function show(begin, finish) {
  const wide = Math.min(whole * 1.02, Math.max(2000, finish - begin)), middle = (begin + finish) / 2;
  from = Math.min(Math.max(middle - wide / 2, start - wide * 0.5), end - wide * 0.5); to = from + wide; redraw();
}
function zoom(by, at = (from + to) / 2) { show(at - (at - from) * by, at + (to - at) * by); }
function move(share) { const by = (to - from) * share; show(from + by, to + by); }
const DO = { in: () => zoom(0.5), out: () => zoom(2), left: () => move(-0.5), right: () => move(0.5), all: () => show(start, end) };
for (const button of document.querySelectorAll("[data-do]")) button.onclick = DO[button.dataset.do];
canvas.addEventListener("keydown", (event) => {
  const what = { ArrowLeft: "left", ArrowRight: "right", "+": "in", "=": "in", "-": "out", Home: "all" }[event.key];
  if (what) { DO[what](); event.preventDefault(); }
});
const timeAt = (event) => from + ((event.clientX - canvas.getBoundingClientRect().left) / width) * (to - from);
canvas.addEventListener("wheel", (event) => {
  if (event.deltaX && Math.abs(event.deltaX) > Math.abs(event.deltaY)) move(event.deltaX / width);
  else zoom(Math.exp(event.deltaY / 400), timeAt(event));
  event.preventDefault();
}, { passive: false });
canvas.addEventListener("dblclick", (event) => zoom(0.25, timeAt(event)));
const fingers = new Map();
canvas.addEventListener("pointerdown", (event) => { fingers.set(event.pointerId, event.clientX); canvas.setPointerCapture(event.pointerId); });
for (const done of ["pointerup", "pointercancel"]) canvas.addEventListener(done, (event) => fingers.delete(event.pointerId));
canvas.addEventListener("pointermove", (event) => {
  if (!fingers.has(event.pointerId)) { read(timeAt(event)); return; }
  const before = [...fingers.values()]; fingers.set(event.pointerId, event.clientX);
  const now = [...fingers.values()], edge = canvas.getBoundingClientRect().left;
  if (now.length === 1) { move((before[0] - now[0]) / width); return; }
  const was = Math.abs(before[0] - before[1]), is = Math.abs(now[0] - now[1]);
  if (is > 10) zoom(was / is, from + (((now[0] + now[1]) / 2 - edge) / width) * (to - from));
});
function read(time) {
  if (!loaded) return;
  const near = loaded.traces.flatMap((trace) => {
    const i = place(trace.at, time);
    return i < trace.at.length && trace.at[i] - time < trace.gap ? [`${trace.name.replace("_", " ")} ${trace.psi[i].toFixed(0)} psi`] : [];
  });
  const state = said.states.find((s) => s[0] <= time && time < s[1]), n = place(loaded.balance.to, time);
  const apart = n < loaded.balance.to.length && loaded.balance.from[n] <= time ? [`balance of the stroke ${loaded.balance.psi[n].toFixed(0)} psi`] : [];
  const here = said.marks.filter((m) => m[0] <= time && time <= m[1]).map((m) => m[4]);
  document.getElementById("read").textContent = [`${date(time)} ${clock(time, 1)} UTC`, state ? state[2].replace("_", " ") : "", ...near, ...apart, ...here].filter(Boolean).join(" · ");
}
const list = document.getElementById("found");
for (const [begins, ends, , , says] of said.marks) {
  const item = document.createElement("li"), button = document.createElement("button");
  button.type = "button"; button.textContent = `${date(begins)} ${clock(begins, 1e3)}  ${says}`;
  button.onclick = () => { show(begins - Math.max(5000, (ends - begins) * 0.3), ends + Math.max(5000, (ends - begins) * 0.3)); canvas.scrollIntoView({ block: "nearest" }); };
  item.append(button); list.append(item);
}
if (!said.marks.length) list.outerHTML = "<p>Nothing out of the ordinary.</p>";
addEventListener("resize", () => { layout(); redraw(); });
layout(); redraw();
load().then((got) => { loaded = got; if (location.hash) { const [a, b] = location.hash.slice(1).split(",").map(Number); if (b > a) show(start + a * 1000, start + b * 1000); } redraw(); },
  () => { document.getElementById("read").textContent = "This browser can't unpack the samples: open the page in one of 2023 or later."; });
