"use strict";
// Shows what the program sends; sends back nothing but "mark".

const SPAN_S = 300, ROOM = 3600, GAP_S = 5, AGAIN_MS = 2000;
const el = (id) => document.getElementById(id);
let rows = [], marks = [], words = {}, now = 0, over = false, socket = null, due = false;
const seen = new IntersectionObserver((changes) => {
  for (const one of changes) one.target.row.visible = one.isIntersecting;
  drawSoon();
});

class Row {
  constructor(told) {
    this.t = new Float64Array(ROOM);
    this.v = new Float64Array(ROOM);
    this.count = 0;                       // of all points ever; the last ROOM are kept
    this.visible = false;
    this.card = document.createElement("article");
    this.card.row = this;
    const head = document.createElement("div"), title = document.createElement("h2");
    title.textContent = told.title;
    this.value = document.createElement("p");
    this.value.className = "value stale";
    head.append(title, this.value);
    this.canvas = document.createElement("canvas");
    this.canvas.setAttribute("aria-hidden", "true");
    this.card.append(head, this.canvas);
    for (const [t, v] of told.history) this.add(t, v);
  }

  add(t, v) {
    const at = this.count % ROOM;
    this.t[at] = t;
    this.v[at] = v === null ? NaN : v;
    this.count += 1;
  }

  show([v, text, live]) {
    this.add(now, live ? v : null);
    if (this.value.textContent !== text) this.value.textContent = text;
    this.value.classList.toggle("stale", !live);
    this.value.classList.toggle("long", text.length > 14);
  }

  *points() {
    for (let i = Math.max(0, this.count - ROOM); i < this.count; i += 1) {
      const at = i % ROOM;
      if (this.t[at] >= now - SPAN_S) yield [this.t[at], this.v[at]];
    }
  }

  draw(colors) {
    const ratio = window.devicePixelRatio || 1, canvas = this.canvas;
    const wide = canvas.clientWidth, high = canvas.clientHeight;
    if (canvas.width !== Math.round(wide * ratio)) canvas.width = Math.round(wide * ratio);
    if (canvas.height !== Math.round(high * ratio)) canvas.height = Math.round(high * ratio);
    const pen = canvas.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, wide, high);
    let low = Infinity, top = -Infinity;
    for (const [, v] of this.points()) if (v === v) { low = Math.min(low, v); top = Math.max(top, v); }
    const x = (t) => wide * (1 - (now - t) / SPAN_S);
    pen.strokeStyle = colors.mark;
    pen.beginPath();
    for (const t of marks) if (t >= now - SPAN_S) { pen.moveTo(x(t), 0); pen.lineTo(x(t), high); }
    pen.stroke();
    pen.strokeStyle = colors.grid;
    pen.strokeRect(0.5, 0.5, wide - 1, high - 1);
    if (low > top) return;
    if (low === top) { low -= 1; top += 1; }
    const y = (v) => 6 + (high - 12) * (1 - (v - low) / (top - low));
    pen.strokeStyle = colors.line;
    pen.lineWidth = 1.5;
    pen.beginPath();
    let before = -Infinity, pixel = -1, least = 0, most = 0;
    for (const [t, v] of this.points()) {
      if (v !== v) { before = -Infinity; continue; }
      const px = x(t), joined = t - before <= GAP_S;
      if (joined && Math.floor(px) === pixel && v >= least && v <= most) { before = t; continue; }
      if (!joined || Math.floor(px) !== pixel) { pixel = Math.floor(px); least = most = v; }
      least = Math.min(least, v);
      most = Math.max(most, v);
      if (joined) pen.lineTo(px, y(v)); else { pen.moveTo(px, y(v)); pen.lineTo(px + 1, y(v)); }
      before = t;
    }
    pen.stroke();
  }
}

function drawn(_t) {}                     // what was last sent is on the screen; for tests

function draw() {
  due = false;
  const style = getComputedStyle(document.documentElement);
  const colors = Object.fromEntries(["line", "grid", "mark"].map((c) => [c, style.getPropertyValue(`--${c}`)]));
  for (const row of rows) if (row.visible) row.draw(colors);
  drawn(now);
}

function drawSoon() {
  if (!due) { due = true; requestAnimationFrame(draw); }
}

function say(text) {
  if (el("state").textContent !== text) el("state").textContent = text;
}

function showMarks(times) {
  marks = times;
  el("marker").textContent = marks.length ? `${words.marker} (${marks.length})` : words.marker;
}

function clockText(seconds) {
  const whole = Math.max(0, Math.floor(seconds)), two = (n) => String(n).padStart(2, "0");
  return `${Math.floor(whole / 3600)}:${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)}`;
}

function take(told) {
  if (told.is === "rows") {
    seen.disconnect();
    words = told.words;
    rows = told.rows.map((row) => new Row(row));
    el("rows").replaceChildren(...rows.map((row) => row.card));
    for (const row of rows) seen.observe(row.card);
    el("marker").disabled = false;
    showMarks(told.marks);
  } else if (told.is === "values" && told.cells.length === rows.length) {
    now = told.t;
    say(told.state);
    el("time").textContent = clockText(now);
    told.cells.forEach((cell, i) => rows[i].show(cell));
  } else if (told.is === "marks") {
    showMarks(told.marks);
  } else if (told.is === "end") {
    over = true;
    socket.close();
    el("marker").disabled = true;
    say(words.ended || "");
  }
  drawSoon();
}

function connect() {
  socket = new WebSocket(`ws://${location.host}${location.pathname}live`);
  socket.onmessage = (message) => take(JSON.parse(message.data));
  socket.onclose = () => {
    el("marker").disabled = true;
    if (over) return;
    say(words.lost || "…");
    setTimeout(connect, AGAIN_MS);
  };
}

el("marker").onclick = () => { if (socket.readyState === WebSocket.OPEN) socket.send("mark"); };
window.onresize = drawSoon;
connect();
