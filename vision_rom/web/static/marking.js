// Marking the elbow of an arm across the body: one picture, large, a point by finger, mouse or keys.
import { button } from "./elements.js";

const LONGEST_PX = 1100, RING_PX = 26;
const ROOM = 0.7; // around shoulders and arm, in shoulder widths
const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/** review: { root, video, shown(), seek(time), frame(), correct(what, words) }; returns { offer(), isOpen() }. */
export function marking(review) {
  const { root, video } = review;
  const dialog = root.querySelector("[data-marking]");
  const find = (what) => dialog.querySelector(what);
  const canvas = find("[data-mark-picture]"), said = find("[data-mark-said]");
  let place = null, points = null, cut = null;

  const what = () => find("[name=what]:checked").value;
  const times = () => review.shown().frame_time_s;
  const joint = (name) => {
    const { points_px: all, joints } = review.shown();
    const row = all[review.frame()];
    const at = joints.indexOf(name) * 2;
    return row ? [row[at], row[at + 1]] : null;
  };

  function offer() {
    const waiting = review.shown().places.filter((one) => one.unit === "shoulder_widths");
    root.querySelector("[data-to-mark]").replaceChildren(...waiting.map((one) => {
      const words = one.status === "measured" ? "Mark the elbow again" : "Mark the elbow";
      // elements.js makes cells; here the button alone is wanted
      return button(`${words}, ${one.side}`, `${words} of the ${one.side} arm across the body`, () => open(one)).firstChild;
    }));
  }

  function open(one) {
    place = one;
    points = { elbow: null, shoulder: null };
    const mark = marksOf(one)[0];
    if (mark) points = { elbow: mark.elbow_px, shoulder: mark.shoulder_px };
    find("[data-mark=furthest]").disabled = one.start_s === null || one.status === "measured";
    find("#marking").textContent = `Mark the ${one.side} elbow`;
    find("[name=what][value=elbow]").checked = true;
    dialog.showModal();
    furthest();
    canvas.focus();
  }

  const marksOf = (one) => (review.shown().readings.find((it) => it.movement === one.movement && it.side === one.side)?.marks ?? []);

  function furthest() {
    const middle = place.start_s === null ? times()[review.frame()] : (place.start_s + place.end_s) / 2;
    review.seek(middle);
    // the picture that is nearest, as the recording's own times have it
    const nearest = times().reduce((best, time, at) => (Math.abs(time - middle) < Math.abs(times()[best] - middle) ? at : best), 0);
    if (nearest !== review.frame()) review.seek(times()[nearest]);
    draw();
  }

  const step = (by) => {
    review.seek(times()[Math.min(times().length - 1, Math.max(0, review.frame() + by))]);
    draw();
  };

  /** The part of the picture that is shown: shoulders and this arm with room around them. */
  function cutOut() {
    const { width_px: width, height_px: height } = review.shown();
    const shoulders = ["left_shoulder", "right_shoulder"].map(joint);
    if (!shoulders[0]) return { left: 0, top: 0, width, height };
    const seen = [...shoulders, joint(`${place.side}_elbow`), joint(`${place.side}_wrist`)];
    const xs = seen.map(([x]) => x), ys = seen.map(([, y]) => y);
    const margin = ROOM * Math.hypot(shoulders[0][0] - shoulders[1][0], shoulders[0][1] - shoulders[1][1]);
    const left = Math.max(0, Math.min(...xs) - margin), top = Math.max(0, Math.min(...ys) - margin);
    return { left, top, width: Math.max(2, Math.min(width, Math.max(...xs) + margin) - left), height: Math.max(2, Math.min(height, Math.max(...ys) + margin) - top) };
  }

  function draw() {
    if (!dialog.open) return;
    cut = cutOut();
    const scale = LONGEST_PX / Math.max(cut.width, cut.height);
    canvas.width = Math.round(cut.width * scale);
    canvas.height = Math.round(cut.height * scale);
    const context = canvas.getContext("2d");
    // a copy that browsers play may be smaller than the recording
    const smaller = video.videoWidth / review.shown().width_px;
    if (video.videoWidth) context.drawImage(video, cut.left * smaller, cut.top * smaller, cut.width * smaller, cut.height * smaller, 0, 0, canvas.width, canvas.height);
    const network = joint(`${place.side}_shoulder`);
    const shoulder = points.shoulder ?? network;
    if (shoulder) ring(context, shoulder, scale, "#ffffff", points.shoulder ? [] : [8, 6]);
    if (points.elbow) ring(context, points.elbow, scale, "#ffd23f", []);
    tell();
  }

  function ring(context, [x, y], scale, ink, dashes) {
    const [across, down] = [(x - cut.left) * scale, (y - cut.top) * scale];
    for (const [style, width] of [["#000", 6], [ink, 3]]) {
      context.strokeStyle = style; context.lineWidth = width; context.setLineDash(dashes);
      context.beginPath(); context.arc(across, down, RING_PX, 0, 7); context.stroke();
      context.setLineDash([]);
      context.beginPath();
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) { context.moveTo(across + 6 * dx, down + 6 * dy); context.lineTo(across + 18 * dx, down + 18 * dy); }
      context.stroke();
    }
  }

  function tell() {
    const point = points[what()];
    find("#mark-x").value = point ? point[0].toFixed(1) : "";
    find("#mark-y").value = point ? point[1].toFixed(1) : "";
    find("[data-mark=measure]").disabled = !points.elbow;
    find("[data-mark=forget]").disabled = !points.shoulder;
    const where = (name) => (points[name] ? `${name} at ${points[name][0].toFixed(0)}, ${points[name][1].toFixed(0)} px` : `${name} ${name === "elbow" ? "not marked yet" : "by the network (dashed)"}`);
    said.textContent = `Picture at ${times()[review.frame()].toFixed(2)} s: ${where("elbow")}, ${where("shoulder")}.`;
  }

  function put(name, [x, y]) {
    const { width_px: width, height_px: height } = review.shown();
    points[name] = [Math.min(width - 1, Math.max(0, x)), Math.min(height - 1, Math.max(0, y))];
    draw();
  }

  function measure() {
    const rounded = (point) => point && point.map((value) => Number(value.toFixed(1)));
    const frame = review.shown().frame_index[review.frame()];
    dialog.close();
    review.correct({ kind: "mark", side: place.side, frame, elbow: rounded(points.elbow), shoulder: rounded(points.shoulder) }, "The elbow was marked.");
  }

  const does = { back: () => step(-1), forth: () => step(1), furthest, measure, close: () => dialog.close(), forget: () => { points.shoulder = null; draw(); } };
  dialog.addEventListener("click", (event) => { const pressed = event.target.closest("[data-mark]"); if (pressed) does[pressed.dataset.mark](); });
  canvas.addEventListener("pointerdown", (event) => {
    const box = canvas.getBoundingClientRect();
    put(what(), [cut.left + ((event.clientX - box.left) / box.width) * cut.width, cut.top + ((event.clientY - box.top) / box.height) * cut.height]);
  });
  canvas.addEventListener("keydown", (event) => {
    const way = STEPS[event.key];
    if (!way || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    const far = event.shiftKey ? 10 : 1;
    const from = points[what()] ?? joint(`${place.side}_${what()}`) ?? [cut.left + cut.width / 2, cut.top + cut.height / 2];
    put(what(), [from[0] + far * way[0], from[1] + far * way[1]]);
  });
  for (const [field, at] of [["#mark-x", 0], ["#mark-y", 1]]) {
    find(field).addEventListener("change", () => {
      const value = Number(find(field).value.replace(",", "."));
      if (!Number.isFinite(value) || find(field).value.trim() === "") { tell(); return; }
      const point = [...(points[what()] ?? joint(`${place.side}_${what()}`) ?? [0, 0])];
      point[at] = value;
      put(what(), point);
    });
  }
  for (const one of dialog.querySelectorAll("[name=what]")) one.addEventListener("change", tell);
  video.addEventListener("seeked", draw);
  return { offer, isOpen: () => dialog.open, marksOf };
}
