// The review page: recording and curve tied both ways; every change is measured again by the server.
import uPlot from "./vendor/uPlot.esm.js";
import { button, cell, colour, degrees, field, listed } from "./elements.js";
import { marking } from "./marking.js";
import { asked } from "./send.js";

const root = document.getElementById("review");
const clip = root.dataset.clip;
const mayCorrect = root.dataset.mayCorrect === "yes";
const find = (what) => root.querySelector(what);
const video = find("video"), canvas = find("canvas"), said = find("[data-said]");
const which = find("#which"), result = find("[data-result]");
const LINES = [["left_shoulder", "right_shoulder"], ["left_shoulder", "left_elbow"], ["left_elbow", "left_wrist"],
  ["right_shoulder", "right_elbow"], ["right_elbow", "right_wrist"], ["left_shoulder", "left_hip"],
  ["right_shoulder", "right_hip"], ["left_hip", "right_hip"]];
const NEAR_PX = 14;
const SHORTEST_S = 0.5;

// the functions below are called when somebody marks, long after this module has run
const marker = marking({ root, video, shown: () => shown, frame: () => frame, seek: (time) => seek(time), correct: (what, words) => correct(what, words) });
let shown = null, plot = null, frame = 0, dragged = null, hurting = null, moved = null;

if (!mayCorrect) for (const one of root.querySelectorAll("[data-clinician]")) one.classList.add("hidden");

const number = (field) => { const text = find(field).value.trim().replace(",", "."); return text === "" ? NaN : Number(text); };

async function act(promise, words) {
  said.textContent = "Measuring again …";
  try {
    const answer = await promise;
    if (answer && answer.readings) take(answer);
    said.textContent = words;
  } catch (error) {
    said.textContent = error.message;
    draw();
  }
}

const change = (method, path, body) => asked(`/api/${path}`, {
  method, headers: { "content-type": "application/json", "x-form-token": root.dataset.formToken },
  body: body === undefined ? undefined : JSON.stringify(body),
});
const queue = (work) => asked(`/clips/${clip}/${work}`, { method: "POST", headers: { "x-form-token": root.dataset.formToken } });
const correct = (what, words) => act(change("POST", `clips/${clip}/corrections`, what), words);

// --- what is shown ---

const reading = () => shown.readings[which.selectedIndex] ?? null;
const curveOf = (one) => one && shown.curves.find((curve) => curve.movement === one.movement && curve.side === one.side);
const spansOf = (one) => (one ? one.repetitions.map((rep) => [rep.start_s, rep.end_s]) : []);

function take(answer) {
  const before = shown && reading();
  shown = answer;
  which.replaceChildren(...shown.readings.map((one) => {
    const option = document.createElement("option");
    option.textContent = `${one.movement.replaceAll("_", " ")}, ${one.side}`;
    option.selected = Boolean(before) && before.movement === one.movement && before.side === one.side;
    return option;
  }));
  canvas.width = shown.width_px; canvas.height = shown.height_px;
  // the stage has the picture's own shape, so that lines and pictures cannot part however the window is cut
  const stage = find(".stage").style;
  stage.aspectRatio = `${shown.width_px} / ${shown.height_px}`;
  stage.maxWidth = `min(100%, calc(75vh * ${shown.width_px / shown.height_px}))`;
  find("[data-do=undo]").disabled = shown.corrections === 0;
  find("[data-places]").replaceChildren(...listed(shown.places.map((one) => one.in_words)));
  marker.offer();
  choose();
}

function choose() {
  const one = reading();
  const curve = curveOf(one);
  if (one) {
    find("#other-movement").value = one.movement;
    find("#other-side").value = one.side;
  }
  makePlot(curve);
  tellReading(one);
  listRepetitions(one);
  listPain(one);
  showFrame(frame);
}

function tellReading(one) {
  result.className = `state ${one ? one.review : ""}`;
  if (!one) { result.textContent = "There is no reading with a curve in this recording."; return; }
  const interval = one.interval95_deg ? `, 95% interval ${degrees(one.interval95_deg[0])} to ${degrees(one.interval95_deg[1])}` : "";
  result.textContent = one.status === "measured"
    ? `${one.review}: held ${degrees(one.held_deg)}${interval}, peak ${degrees(one.peak_deg)}${one.note ? ` – ${one.note}` : ""}`
    : `not measured: ${one.reason}`;
  const items = one ? [...one.remarks, ...one.compensations] : [];
  find("[data-remarks]").replaceChildren(...listed(items.length ? items : ["none"]));
}

const byMark = (one) => Boolean(one && one.marks.length);
// a reading of marked pictures is changed by marking, not by moving its repetitions
const allowed = (does) => (mayCorrect && !byMark(reading()) ? does : null);
const allowedPain = (does) => (mayCorrect ? does : null);

function listRepetitions(one) {
  const rows = (one ? one.repetitions : []).map((rep, index) => {
    const row = document.createElement("tr");
    const spans = () => spansOf(one);
    row.append(
      cell(String(index + 1), true),
      field(rep.start_s, `Start of repetition ${index + 1} in seconds`, allowed((value) => { const all = spans(); all[index][0] = value; mark(one, all); })),
      field(rep.end_s, `End of repetition ${index + 1} in seconds`, allowed((value) => { const all = spans(); all[index][1] = value; mark(one, all); })),
      cell(degrees(rep.held_deg)), cell(degrees(rep.peak_deg)),
      cell(rep.interval95_deg ? `${degrees(rep.interval95_deg[0])} to ${degrees(rep.interval95_deg[1])}` : "–"),
      button("Leave out", `Leave out repetition ${index + 1}`, allowed(() => mark(one, spans().filter((_, at) => at !== index)))),
    );
    return row;
  });
  find("[data-repetitions] tbody").replaceChildren(...rows);
}

function listPain(one) {
  const rows = shown.pain.marks.map(([from, to, score], index) => {
    const row = document.createElement("tr");
    row.append(cell(from.toFixed(2)), cell(to.toFixed(2)), cell(score === null ? "not given" : String(score)),
      button("Remove", `Remove pain from ${from.toFixed(2)} s`, allowedPain(() => setPain(shown.pain.marks.filter((_, at) => at !== index)))));
    return row;
  });
  find("[data-pain] tbody").replaceChildren(...rows);
  find("[data-arc]").textContent = one ? one.pain_in_words.join(" ") : "";
}

const mark = (one, spans) => correct({ kind: "repetitions", movement: one.movement, side: one.side, spans }, "The repetitions were changed.");
const setPain = (marks, none = false) => correct({ kind: "pain", marks, none }, none ? "Noted: it did not hurt." : "Pain was marked.");

// --- the curve ---

function makePlot(curve) {
  if (plot) plot.destroy();
  plot = null;
  const place = find("#curve");
  place.replaceChildren();
  for (const one of [place, find(".legend")]) one.classList.toggle("hidden", !curve);
  if (!curve) return;
  const axis = { stroke: colour("--ink"), grid: { stroke: colour("--hair") }, ticks: { stroke: colour("--line") } };
  plot = new uPlot({
    width: place.clientWidth, height: 320, cursor: { drag: { x: false, y: false } }, legend: { show: false },
    scales: { x: { time: false } },
    axes: [{ ...axis, label: "time (s)" }, { ...axis, label: "angle (°)" }],
    series: [{}, { stroke: colour("--curve"), width: 2, spanGaps: false }],
    hooks: { drawClear: [bands], draw: [cursorLine] },
  }, [curve.time_s, curve.angle_deg], place);
  plot.over.addEventListener("pointerdown", grab);
  plot.over.addEventListener("pointermove", pull);
  plot.over.addEventListener("pointerup", release);
}

function bands(chart) {
  const one = reading(), context = chart.ctx, { top, height } = chart.bbox;
  const fill = (from, to, style) => {
    const left = chart.valToPos(from, "x", true), right = chart.valToPos(to, "x", true);
    context.fillStyle = style;
    context.fillRect(left, top, Math.max(1, right - left), height);
  };
  context.save();
  context.beginPath(); context.rect(chart.bbox.left, top, chart.bbox.width, height); context.clip();
  const spans = dragged ? dragged.spans : spansOf(one);
  for (const [from, to] of spans) {
    fill(from, to, colour("--band"));
    context.strokeStyle = colour("--line"); context.lineWidth = 2;
    for (const edge of [from, to]) {
      const at = chart.valToPos(edge, "x", true);
      context.beginPath(); context.moveTo(at, top); context.lineTo(at, top + height); context.stroke();
    }
  }
  for (const rep of one ? one.repetitions : []) fill(rep.hold_start_s, rep.hold_end_s, colour("--hold"));
  const marks = hurting ? [...shown.pain.marks, [hurting.from, Math.max(hurting.from, video.currentTime)]] : shown.pain.marks;
  for (const [from, to] of marks) hatch(chart, from, Math.max(to, from + 0.03));
  context.restore();
}

function hatch(chart, from, to) {
  const { ctx: context, bbox: { top, height } } = chart;
  const left = chart.valToPos(from, "x", true), right = chart.valToPos(to, "x", true);
  context.save();
  context.beginPath(); context.rect(left, top, right - left, height); context.clip();
  context.strokeStyle = colour("--pain"); context.lineWidth = 4;
  for (let x = left - height; x < right; x += 10) {
    context.beginPath(); context.moveTo(x, top + height); context.lineTo(x + height, top); context.stroke();
  }
  context.restore();
}

function cursorLine(chart) {
  if (!shown.frame_time_s.length) return;
  const at = chart.valToPos(shown.frame_time_s[frame], "x", true), context = chart.ctx;
  context.save();
  context.strokeStyle = colour("--focus"); context.lineWidth = 2; context.setLineDash([6, 4]);
  context.beginPath(); context.moveTo(at, chart.bbox.top); context.lineTo(at, chart.bbox.top + chart.bbox.height); context.stroke();
  context.restore();
}

function timeAt(event) {
  return plot.posToVal(event.clientX - plot.over.getBoundingClientRect().left, "x");
}

function grab(event) {
  const spans = spansOf(reading());
  const x = event.clientX - plot.over.getBoundingClientRect().left;
  let best = null;
  if (mayCorrect) {
    spans.forEach((span, index) => span.forEach((edge, end) => {
      const away = Math.abs(plot.valToPos(edge, "x") - x);
      if (away < NEAR_PX && (best === null || away < best.away)) best = { index, end, away };
    }));
  }
  if (best === null) { seek(timeAt(event)); return; }
  dragged = { ...best, spans };
  plot.over.setPointerCapture(event.pointerId);
}

function pull(event) {
  if (!dragged) return;
  dragged.spans[dragged.index][dragged.end] = Math.min(shown.duration_s, Math.max(0, timeAt(event)));
  plot.redraw(false);
}

function release() {
  if (!dragged) return;
  const { spans, index } = dragged;
  dragged = null;
  if (spans[index][1] - spans[index][0] < SHORTEST_S) { said.textContent = "That is too short for a repetition."; plot.redraw(false); return; }
  mark(reading(), spans.map(([from, to]) => [Number(from.toFixed(3)), Number(to.toFixed(3))]));
}

// --- the recording ---

function frameAt(time) {
  const times = shown.frame_time_s;
  let low = 0, high = times.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (times[middle] <= time + 1e-4) low = middle; else high = middle - 1;
  }
  return low;
}

function seek(time) {
  video.pause();
  const at = frameAt(Math.min(Math.max(time, 0), shown.duration_s));
  // into the middle of the picture's time, so that rounding cannot land on its neighbour
  const next = shown.frame_time_s[at + 1] ?? shown.duration_s;
  video.currentTime = (shown.frame_time_s[at] + next) / 2;
  showFrame(at);
}

function showFrame(at) {
  frame = Math.min(Math.max(at, 0), shown.frame_time_s.length - 1);
  if (frame < 0) return;
  draw();
  const time = shown.frame_time_s[frame];
  find("[data-time]").textContent = `${time.toFixed(2)} s`;
  const curve = curveOf(reading());
  let angle = null;
  if (curve) {
    let near = 0;
    for (let index = 1; index < curve.time_s.length; index += 1) if (Math.abs(curve.time_s[index] - time) < Math.abs(curve.time_s[near] - time)) near = index;
    angle = curve.angle_deg[near] ?? null;
  }
  find("[data-angle]").textContent = degrees(angle);
  pointFields();
  if (plot) plot.redraw(false);
}

const pointOf = (name) => {
  const points = moved && moved.frame === frame ? moved.points : shown.points_px[frame];
  if (!points) return null;
  const at = shown.joints.indexOf(name) * 2;
  return [points[at], points[at + 1]];
};

function draw() {
  const context = canvas.getContext("2d");
  context.clearRect(0, 0, canvas.width, canvas.height);
  if (!shown || !shown.points_px[frame]) return;
  const thick = Math.max(2, canvas.height / 240);
  for (const [style, width] of [["#000", thick * 2.2], ["#ffd23f", thick]]) {
    context.strokeStyle = style; context.lineWidth = width;
    for (const [from, to] of LINES) {
      const [first, second] = [pointOf(from), pointOf(to)];
      context.beginPath(); context.moveTo(...first); context.lineTo(...second); context.stroke();
    }
  }
  for (const name of shown.joints) {
    context.beginPath(); context.arc(...pointOf(name), thick * 2.2, 0, 7);
    context.fillStyle = "#fff"; context.fill();
    context.strokeStyle = "#000"; context.lineWidth = thick / 2; context.stroke();
  }
  const time = shown.frame_time_s[frame];
  for (const mark of shown.readings.flatMap((one) => one.marks).filter((one) => Math.abs(one.time_s - time) < 0.02)) {
    for (const [style, width] of [["#000", thick * 2], ["#ffd23f", thick]]) {
      context.strokeStyle = style; context.lineWidth = width;
      context.beginPath(); context.arc(...mark.elbow_px, thick * 6, 0, 7); context.stroke();
    }
  }
}

function pointFields() {
  const point = shown.points_px[frame] ? pointOf(find("#joint").value) : null;
  if (document.activeElement === find("#joint-x") || document.activeElement === find("#joint-y")) return;
  find("#joint-x").value = point ? point[0].toFixed(1) : "";
  find("#joint-y").value = point ? point[1].toFixed(1) : "";
}

const movePoint = (name, x, y) => correct(
  { kind: "point", frame: shown.frame_index[frame], landmark: name, x_px: Number(x.toFixed(1)), y_px: Number(y.toFixed(1)) }, "The point was moved.");

canvas.addEventListener("pointerdown", (event) => {
  if (!find("[data-move]").checked || !shown.points_px[frame]) return;
  const box = canvas.getBoundingClientRect(), scale = canvas.width / box.width;
  const [x, y] = [(event.clientX - box.left) * scale, (event.clientY - box.top) * scale];
  let best = null;
  for (const name of shown.joints) {
    const away = Math.hypot(pointOf(name)[0] - x, pointOf(name)[1] - y);
    if (away < 30 * scale && (best === null || away < best.away)) best = { name, away };
  }
  if (!best) return;
  video.pause();
  moved = { frame, name: best.name, points: [...shown.points_px[frame]] };
  canvas.setPointerCapture(event.pointerId);
});
canvas.addEventListener("pointermove", (event) => {
  if (!moved) return;
  const box = canvas.getBoundingClientRect(), scale = canvas.width / box.width;
  const at = shown.joints.indexOf(moved.name) * 2;
  moved.points[at] = (event.clientX - box.left) * scale;
  moved.points[at + 1] = (event.clientY - box.top) * scale;
  draw();
});
canvas.addEventListener("pointerup", () => {
  if (!moved) return;
  const at = shown.joints.indexOf(moved.name) * 2, [x, y] = [moved.points[at], moved.points[at + 1]];
  const name = moved.name;
  moved = null;
  movePoint(name, x, y);
});

function everyPicture(_, facts) {
  if (!video.paused) showFrame(frameAt(facts.mediaTime));
  video.requestVideoFrameCallback(everyPicture);
}

const play = () => { if (video.paused) video.play(); else video.pause(); };
video.addEventListener("play", () => { find("[data-do=play]").textContent = "Stop"; });
video.addEventListener("pause", () => { find("[data-do=play]").textContent = "Play"; });

// --- what can be done ---

const does = {
  play, back: () => seek(shown.frame_time_s[Math.max(0, frame - 1)]), forth: () => seek(shown.frame_time_s[Math.min(shown.frame_time_s.length - 1, frame + 1)]),
  undo: () => act(change("DELETE", `clips/${clip}/corrections/last`), "The last change was undone."),
  accept: () => reviewed("accepted"), reject: () => reviewed("rejected"),
  add: () => {
    if (byMark(reading())) { said.textContent = "This reading rests on marked pictures; mark another one."; return; }
    const [from, to] = [number("#from"), number("#to")];
    if (!(to - from >= SHORTEST_S)) { said.textContent = "Give two times in seconds, at least half a second apart."; return; }
    mark(reading(), [...spansOf(reading()), [from, to]]);
  },
  pain: () => {
    const [from, to, score] = [number("#pain-from"), number("#pain-to"), number("#pain-score")];
    if (!(to >= from)) { said.textContent = "Give the times between which it hurt, in seconds."; return; }
    setPain([...shown.pain.marks, [from, to, Number.isNaN(score) ? null : score]]);
  },
  "no-pain": () => setPain([], true),
  point: () => movePoint(find("#joint").value, number("#joint-x"), number("#joint-y")),
  movement: () => correct({ kind: "movement", movement: find("#other-movement").value, side: find("#other-side").value }, "Measured as another movement."),
  annotate: () => act(queue("annotated"), "It is being made; look again in a minute."),
  measure: () => act(queue("measure"), "It is being measured again; load this page again in some minutes."),
};

async function reviewed(review) {
  const one = reading();
  if (!one || one.id === null) return;
  await act(change("POST", `readings/${one.id}/review`, { review, note: find("#note").value }), `The reading was ${review}.`);
  await act(asked(`/api/clips/${clip}`), `The reading was ${review}.`);
}

root.addEventListener("click", (event) => {
  const what = event.target.closest("[data-do]");
  // measuring again must work also where there is nothing to show any more
  if (what && (shown || what.dataset.do === "measure")) does[what.dataset.do]();
});
which.addEventListener("change", choose);
find("#joint").addEventListener("change", pointFields);
find("[data-move]").addEventListener("change", (event) => canvas.classList.toggle("moving", event.target.checked));

document.addEventListener("keydown", (event) => {
  if (!shown || marker.isOpen() || event.target.closest("input, select, textarea")) return;
  if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") { event.preventDefault(); if (mayCorrect && shown.corrections) does.undo(); return; }
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.key === "ArrowLeft" || event.key === "ArrowRight") { event.preventDefault(); does[event.key === "ArrowLeft" ? "back" : "forth"](); }
  else if (event.key === " " && !event.target.closest("button, a, summary")) { event.preventDefault(); play(); }
  else if (/^[0-9]$/.test(event.key) && mayCorrect && !event.repeat && !hurting) {
    hurting = { key: event.key, from: shown.frame_time_s[frame], score: event.key === "0" ? 10 : Number(event.key) };
    said.textContent = `It hurts, ${hurting.score} of 10 …`;
  }
});
document.addEventListener("keyup", (event) => {
  if (!hurting || event.key !== hurting.key) return;
  const { from, score } = hurting;
  hurting = null;
  const to = Math.max(from, shown.frame_time_s[frame]);
  setPain([...shown.pain.marks, [Number(from.toFixed(3)), Number(to.toFixed(3)), score]]);
});
addEventListener("resize", () => { if (plot) plot.setSize({ width: find("#curve").clientWidth, height: 320 }); });
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { if (shown) choose(); });

try {
  const answer = await asked(`/api/clips/${clip}`);
  find("#joint").replaceChildren(...answer.joints.map((name) => {
    const option = document.createElement("option");
    option.value = name; option.textContent = name.replaceAll("_", " ");
    return option;
  }));
  take(answer);
  said.textContent = "";
  if (video.requestVideoFrameCallback) video.requestVideoFrameCallback(everyPicture);
  else video.addEventListener("timeupdate", () => showFrame(frameAt(video.currentTime)));
} catch (error) {
  said.textContent = error.message;
}
