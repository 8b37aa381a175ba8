"use strict";
// All places are in pixels of the whole upright picture, from its upper left corner.
const key = new URLSearchParams(location.search).get("key");
const $ = (id) => document.getElementById(id);
const canvas = $("picture");
const pen = canvas.getContext("2d");

let opening = null;                       // what the server told at the start
let tasks = [];                           // marks first, then points: {kind, name, label, where}
let current = 0;
let state = { marks: [], clicks: [] };    // marks: [x, y] or null; clicks: {point, px, zoom, behind_mm}
let past = [], future = [];
let found = [];                           // marks as the server found them
let view = { left: 0, top: 0, zoom: 1 };  // zoom: screen pixels for one picture pixel
let cross = { x: 0, y: 0 };
let sharp = null, sharpAt = null, asked = 0, sent = 0, answered = 0;

const address = (path, query = {}) => `/${path}?` + new URLSearchParams({ key, ...query });

async function post(path, body) {
  const reply = await fetch(address(path), {
    method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body),
  });
  return reply.json();
}

function listTasks() {
  const what = opening.marks === 4 ? "mark" : "end";
  tasks = [];
  for (let n = 1; n <= opening.marks; n++) {
    tasks.push({
      kind: "mark", index: n - 1, name: `${what} ${n}`, label: String(n),
      where: opening.marks === 4 ? `Middle of the card's mark ${n}.` : `End ${n} of the known length.`,
    });
  }
  for (const p of opening.points) {
    tasks.push({ kind: "point", name: p.name, label: (p.side ? p.side[0].toUpperCase() : "") + (p.letter || "•"),
      plain: `${p.side} ${p.plain}`.trim(), where: p.where });
  }
}

const clicksOf = (task) => task.kind === "mark" ? (state.marks[task.index] ? 1 : 0)
  : state.clicks.filter((c) => c.point === task.name).length;

function showList() {
  const list = $("points");
  list.replaceChildren();
  tasks.forEach((task, i) => {
    const item = document.createElement("li"), button = document.createElement("button");
    const n = clicksOf(task);
    button.textContent = `${task.label}  ${task.plain || task.name}`;
    const count = document.createElement("span");
    count.className = "count";
    count.textContent = n ? `✓ ${n}` : "–";
    button.append(count);
    button.dataset.task = task.name;
    button.setAttribute("aria-current", String(i === current));
    button.onclick = () => { choose(i); canvas.focus(); };
    item.append(button);
    list.append(item);
  });
  const task = tasks[current];
  $("task").textContent = `${task.label}: ${task.plain || task.name}. ${task.where}`;
  $("undo").disabled = !past.length;
  $("redo").disabled = !future.length;
}

function choose(i) {
  current = (i + tasks.length) % tasks.length;
  showList();
  draw();
}

function nextOpen() {
  for (let step = 1; step <= tasks.length; step++) {
    const i = (current + step) % tasks.length;
    if (!clicksOf(tasks[i])) return i;
  }
  return current;
}

function change(next) {
  past.push(structuredClone(state));
  future = [];
  state = next;
  keep();
}

function undo() {
  if (!past.length) return;
  future.push(structuredClone(state));
  state = past.pop();
  keep();
}

function redo() {
  if (!future.length) return;
  past.push(structuredClone(state));
  state = future.pop();
  keep();
}

async function keep() {
  showList();
  draw();
  const mine = ++sent;
  $("kept").textContent = "keeping …";
  try {
    const marks = [];
    for (const m of state.marks) { if (!m) break; marks.push(m); }
    const reply = await post("clicks", { marks, clicks: state.clicks });
    if (mine !== sent) return;             // a later change is on its way
    answered = mine;
    found = reply.marks || [];
    const said = reply.trouble ? [reply.trouble] : reply.said;
    if (reply.scale) said.unshift(`${reply.scale} pixels a mm; camera about ${reply.camera_mm} mm away.`);
    $("said").replaceChildren(...said.map((text) => Object.assign(document.createElement("li"), { textContent: text })));
    $("kept").textContent = reply.trouble ? "not kept" : "kept in the readings file";
  } catch (error) {
    $("kept").textContent = "leanmix does not answer: is it still running in the terminal?";
  }
  draw();
}

function set(x, y) {
  if (x < 0 || y < 0 || x > opening.width_px || y > opening.height_px) return;
  const task = tasks[current], next = structuredClone(state);
  if (task.kind === "mark") {
    next.marks[task.index] = [x, y];
  } else {
    const behind = $("behind").value === "" ? null : Number($("behind").value);
    next.clicks.push({ point: task.name, px: [x, y], zoom: view.zoom, behind_mm: behind });
  }
  const first = !clicksOf(task);
  change(next);
  if (first) choose(nextOpen());
}

function takeAway() {
  const task = tasks[current], next = structuredClone(state);
  if (task.kind === "mark") {
    next.marks[task.index] = null;
  } else {
    const at = next.clicks.map((c) => c.point).lastIndexOf(task.name);
    if (at < 0) return;
    next.clicks.splice(at, 1);
  }
  change(next);
}

// ---- view

const toScreen = (x, y) => [(x - view.left) * view.zoom, (y - view.top) * view.zoom];
const toPicture = (sx, sy) => [view.left + sx / view.zoom, view.top + sy / view.zoom];

function whole() {
  const zoom = Math.min(canvas.clientWidth / opening.width_px, canvas.clientHeight / opening.height_px);
  view = { zoom, left: (opening.width_px - canvas.clientWidth / zoom) / 2, top: (opening.height_px - canvas.clientHeight / zoom) / 2 };
  look();
}

function zoomBy(factor, sx = null, sy = null) {
  if (sx === null) [sx, sy] = toScreen(cross.x, cross.y);
  const [x, y] = toPicture(sx, sy);
  const least = 0.5 * Math.min(canvas.clientWidth / opening.width_px, canvas.clientHeight / opening.height_px);
  view.zoom = Math.min(Math.max(view.zoom * factor, least), 16);
  view.left = x - sx / view.zoom;
  view.top = y - sy / view.zoom;
  look();
}

let waiting = null;
function look() {
  draw();
  clearTimeout(waiting);
  waiting = setTimeout(fetchView, 60);
}

async function fetchView() {
  const mine = ++asked;
  const at = { left: view.left, top: view.top, width: canvas.clientWidth / view.zoom, height: canvas.clientHeight / view.zoom };
  const image = new Image();
  image.src = address("look", { ...at, out: Math.round(canvas.clientWidth * Math.min(devicePixelRatio, 2)) });
  try { await image.decode(); } catch (error) { return; }
  if (mine !== asked) return;
  sharp = image;
  sharpAt = at;
  document.body.dataset.looked = String(mine);
  draw();
}

function draw() {
  const ratio = devicePixelRatio || 1;
  canvas.width = Math.round(canvas.clientWidth * ratio);
  canvas.height = Math.round(canvas.clientHeight * ratio);
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.fillStyle = "#606060";
  pen.fillRect(0, 0, canvas.clientWidth, canvas.clientHeight);
  if (sharp) {
    const [x, y] = toScreen(sharpAt.left, sharpAt.top);
    pen.drawImage(sharp, x, y, sharpAt.width * view.zoom, sharpAt.height * view.zoom);
  }
  found.forEach((m) => ring(m.px, m.found ? "" : "?", m.found));
  state.marks.forEach((m, i) => m && flag(m, tasks[i] ? tasks[i].label : "", tasks[current] === tasks[i]));
  for (const c of state.clicks) {
    const i = tasks.findIndex((t) => t.name === c.point);
    if (i >= 0) flag(c.px, tasks[i].label, i === current);
  }
  crossHair();
}

// dark under light, so that it shows on any picture and without colour
function twice(path) {
  pen.lineWidth = 4; pen.strokeStyle = "#000b"; path(); pen.stroke();
  pen.lineWidth = 1.6; pen.strokeStyle = "#fff"; path(); pen.stroke();
}

function ring(px, text) {
  const [x, y] = toScreen(...px);
  twice(() => { pen.beginPath(); pen.arc(x, y, 9, 0, 7); });
  if (text) word(text, x + 12, y);
}

function flag(px, text, strong) {
  const [x, y] = toScreen(...px);
  twice(() => { pen.beginPath(); pen.moveTo(x - 7, y); pen.lineTo(x + 7, y); pen.moveTo(x, y - 7); pen.lineTo(x, y + 7); });
  if (strong) twice(() => { pen.beginPath(); pen.rect(x - 11, y - 11, 22, 22); });
  word(text, x + 9, y - 6);
}

function word(text, x, y) {
  pen.font = "bold 13px system-ui, sans-serif";
  pen.lineWidth = 4; pen.strokeStyle = "#000c"; pen.strokeText(text, x, y);
  pen.fillStyle = "#fff"; pen.fillText(text, x, y);
}

function crossHair() {
  const [x, y] = toScreen(cross.x, cross.y);
  pen.lineWidth = 1;
  for (const [colour, dash] of [["#000", []], ["#fff", [5, 5]]]) {
    pen.strokeStyle = colour;
    pen.setLineDash(dash);
    pen.beginPath();
    pen.moveTo(x - 30, y); pen.lineTo(x - 5, y); pen.moveTo(x + 5, y); pen.lineTo(x + 30, y);
    pen.moveTo(x, y - 30); pen.lineTo(x, y - 5); pen.moveTo(x, y + 5); pen.lineTo(x, y + 30);
    pen.stroke();
  }
  pen.setLineDash([]);
  $("now").textContent = `x ${cross.x.toFixed(1)}  y ${cross.y.toFixed(1)}  ×${view.zoom.toFixed(2)}`;
}

// ---- hands

let drag = null;
canvas.addEventListener("pointerdown", (e) => {
  canvas.setPointerCapture(e.pointerId);
  drag = { x: e.offsetX, y: e.offsetY, left: view.left, top: view.top, moved: false, button: e.button };
});
canvas.addEventListener("pointermove", (e) => {
  if (drag && (drag.moved || Math.hypot(e.offsetX - drag.x, e.offsetY - drag.y) > 4)) {
    drag.moved = true;
    view.left = drag.left - (e.offsetX - drag.x) / view.zoom;
    view.top = drag.top - (e.offsetY - drag.y) / view.zoom;
    look();
    return;
  }
  [cross.x, cross.y] = toPicture(e.offsetX, e.offsetY);
  draw();
});
canvas.addEventListener("pointerup", (e) => {
  if (drag && !drag.moved && drag.button === 0) {
    [cross.x, cross.y] = toPicture(e.offsetX, e.offsetY);
    set(cross.x, cross.y);
  }
  drag = null;
});
canvas.addEventListener("pointercancel", () => { drag = null; });
canvas.addEventListener("wheel", (e) => {
  e.preventDefault();
  zoomBy(Math.exp(-e.deltaY / 400), e.offsetX, e.offsetY);
}, { passive: false });

function moveCross(dx, dy, far) {
  const step = (far ? 10 : 1) / view.zoom;
  cross.x = Math.min(Math.max(cross.x + dx * step, 0), opening.width_px);
  cross.y = Math.min(Math.max(cross.y + dy * step, 0), opening.height_px);
  const [x, y] = toScreen(cross.x, cross.y);
  if (x < 0 || y < 0 || x > canvas.clientWidth || y > canvas.clientHeight) {
    view.left = cross.x - canvas.clientWidth / 2 / view.zoom;
    view.top = cross.y - canvas.clientHeight / 2 / view.zoom;
    look();
  } else {
    draw();
  }
}

document.addEventListener("keydown", (e) => {
  if (!opening || e.target.tagName === "INPUT") return;
  const onButton = e.target.tagName === "BUTTON";
  const ctrl = e.ctrlKey || e.metaKey;
  const moves = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  if (ctrl && e.key.toLowerCase() === "z") e.shiftKey ? redo() : undo();
  else if (ctrl && e.key.toLowerCase() === "y") redo();
  else if (ctrl || e.altKey) return;
  else if (e.key in moves) moveCross(...moves[e.key], e.shiftKey);
  else if (e.key === "Enter" && !onButton) set(cross.x, cross.y);
  else if (e.key === "Tab" && e.target === canvas) choose(current + (e.shiftKey ? -1 : 1));
  else if (e.key === "Escape") { canvas.blur(); $("undo").focus(); }
  else if (e.key === "Backspace") takeAway();
  else if (e.key === "+" || e.key === "=") zoomBy(1.5);
  else if (e.key === "-") zoomBy(1 / 1.5);
  else if (e.key === "0") whole();
  else return;
  e.preventDefault();
});

$("undo").onclick = undo;
$("redo").onclick = redo;
$("closer").onclick = () => zoomBy(1.5);
$("further").onclick = () => zoomBy(1 / 1.5);
$("whole").onclick = whole;
$("done").onclick = async () => {
  await keep();
  await post("done", {});
  document.body.replaceChildren(Object.assign(document.createElement("p"), {
    id: "ended", textContent: "Kept. This page can be closed; leanmix goes on in the terminal.",
  }));
};
addEventListener("resize", () => opening && look());

(async () => {
  const reply = await fetch(address("opening"));
  opening = await reply.json();
  if (opening.trouble) { document.body.textContent = opening.trouble; return; }
  $("title").textContent = `${opening.machine}: ${opening.file}, ${opening.view} view`;
  $("which").src = address("points.svg");
  listTasks();
  state.marks = opening.earlier.marks;
  state.clicks = opening.earlier.clicks;
  cross = { x: opening.width_px / 2, y: opening.height_px / 2 };
  current = nextOpen();
  if (tasks.length && !clicksOf(tasks[0])) current = 0;
  showList();
  whole();
  if (state.clicks.length || state.marks.length) keep();
  canvas.focus();
  document.body.dataset.ready = "yes";
})();
