// The patient's page: film or choose a file, send it over a bad line, learn whether it can be used.
import { asked, send } from "./send.js";

const film = document.getElementById("film");
if (film) {
  const words = JSON.parse(document.getElementById("words").textContent);
  const { base, step } = film.dataset;
  const find = (what) => film.querySelector(what);
  const said = find("[data-said]"), bar = find("progress"), camera = find("#camera"), count = find("[data-count]");
  const PLACE_S = 10, LONGEST_S = 45, LOOK_EVERY_MS = 1000;
  const KEPT = `${base}/${step}`;
  let stream = null, recorder = null, facing = "user", upload = film.dataset.upload;

  const say = (text, inserted = {}) => { said.textContent = Object.entries(inserted).reduce((all, [name, value]) => all.replace(`{${name}}`, value), text); };
  const panel = (name) => { for (const one of film.querySelectorAll("[data-panel]")) one.classList.toggle("hidden", one.dataset.panel !== name); };

  // --- a film that was not sent whole outlives the page: it lies in the browser's own store until it has arrived ---

  function shelf() {
    return new Promise((done, failed) => {
      const opening = indexedDB.open("films", 1);
      opening.onupgradeneeded = () => opening.result.createObjectStore("films");
      opening.onsuccess = () => done(opening.result);
      opening.onerror = () => failed(opening.error);
    });
  }
  async function onShelf(mode, does) {
    try {
      const store = await shelf();
      return await new Promise((done, failed) => {
        const asking = does(store.transaction("films", mode).objectStore("films"));
        asking.onsuccess = () => done(asking.result);
        asking.onerror = () => failed(asking.error);
      });
    } catch { return undefined; /* without a store the film is sent all the same, but the page must stay open */ }
  }
  const keep = (value) => onShelf("readwrite", (store) => store.put(value, KEPT));
  const kept = () => onShelf("readonly", (store) => store.get(KEPT));
  const forget = () => onShelf("readwrite", (store) => store.delete(KEPT));

  // --- sending ---

  async function give(blob, name, number) {
    panel("none");
    find("[data-faults]").replaceChildren();
    bar.classList.remove("hidden");
    try {
      if (!number) {
        const announced = await asked(`${base}/uploads`, {
          method: "POST", headers: { "content-type": "application/json" },
          body: JSON.stringify({ name: name.slice(0, 300) || "film", size: blob.size, step: Number(step) }),
        });
        number = announced.id;
      }
      upload = number;
      await keep({ blob, name, upload });
      await send(blob, `${base}/uploads/${upload}`, {
        onShare: (share) => { bar.value = share; say(words.sending, { share: Math.round(share * 100) }); },
        onWaiting: () => say(words.broken),
      });
      await forget();
      bar.classList.add("hidden");
      await look();
    } catch (error) {
      bar.classList.add("hidden");
      if (error.status === 404 || error.status === 409) await forget();
      say(error.message);
      panel("choose");
    }
  }

  async function look() {
    say(words.looking);
    panel("none");
    let answer;
    do {
      await new Promise((done) => setTimeout(done, LOOK_EVERY_MS));
      try { answer = await asked(`${base}/uploads/${upload}`); } catch { continue; }
    } while (!answer || answer.state === "received" || answer.state === "receiving");
    if (answer.state === "refused") { say(answer.message || words.unreadable); panel("choose"); return; }
    if (answer.state !== "looked_at") { location.reload(); return; }
    say(answer.faults.length ? words.better : words.good);
    find("[data-faults]").replaceChildren(...answer.faults.map((text) => {
      const item = document.createElement("li");
      item.textContent = text;
      return item;
    }));
    find("[data-do=keep]").classList.toggle("first", !answer.faults.length);
    find("[data-do=again]").classList.toggle("first", answer.faults.length > 0);
    panel("answer");
  }

  // --- the camera ---

  async function openCamera() {
    try {
      close();
      stream = await navigator.mediaDevices.getUserMedia({
        audio: false, video: { facingMode: facing, width: { ideal: 1280 }, height: { ideal: 720 }, frameRate: { ideal: 30 } },
      });
    } catch { say(words.camera_refused); panel("choose"); return; }
    camera.srcObject = stream;
    camera.classList.remove("hidden");
    // only what is shown is flipped, as in a mirror; what is filmed is not
    camera.classList.toggle("mirror", facing === "user");
    await camera.play();
    say("");
    panel("camera");
  }
  function close() {
    if (stream) for (const track of stream.getTracks()) track.stop();
    stream = null;
    camera.classList.add("hidden");
  }
  async function beep(pitch) {
    try {
      const sound = new AudioContext(), tone = sound.createOscillator();
      tone.frequency.value = pitch;
      tone.connect(sound.destination);
      tone.start();
      setTimeout(() => { tone.stop(); sound.close(); }, 250);
    } catch { /* a silent phone films too */ }
  }
  async function countdown(seconds, text, over) {
    count.classList.remove("hidden");
    for (let left = seconds; left > 0 && !over(); left -= 1) {
      count.textContent = String(left);
      if (left === seconds || left % 5 === 0 || left <= 3) say(text, { seconds: left });
      await new Promise((done) => setTimeout(done, 1000));
    }
    count.classList.add("hidden");
  }
  const kinds = ["video/mp4;codecs=avc1", "video/webm;codecs=vp9", "video/webm;codecs=vp8", "video/webm"];

  async function record() {
    panel("none");
    await countdown(PLACE_S, words.place, () => !stream);
    if (!stream) return;
    await beep(880);
    const mimeType = kinds.find((kind) => MediaRecorder.isTypeSupported(kind));
    recorder = new MediaRecorder(stream, { mimeType, videoBitsPerSecond: 5_000_000 });
    const pieces = [];
    recorder.addEventListener("dataavailable", (event) => { if (event.data.size) pieces.push(event.data); });
    const ended = new Promise((done) => recorder.addEventListener("stop", done, { once: true }));
    recorder.start(1000);
    panel("recording");
    countdown(LONGEST_S, words.filming, () => recorder.state !== "recording").then(() => { if (recorder.state === "recording") recorder.stop(); });
    await ended;
    await beep(440);
    close();
    const blob = new Blob(pieces, { type: recorder.mimeType });
    await give(blob, recorder.mimeType.includes("mp4") ? "film.mp4" : "film.webm", "");
  }

  const does = {
    camera: openCamera, record,
    turn: () => { facing = facing === "user" ? "environment" : "user"; return openCamera(); },
    stop: () => recorder && recorder.stop(),
    keep: async () => { await asked(`${base}/uploads/${upload}/keep`, { method: "POST" }); location.reload(); },
    again: async () => { await asked(`${base}/uploads/${upload}/again`, { method: "POST" }); await forget(); location.reload(); },
  };
  film.addEventListener("click", (event) => {
    const what = event.target.closest("[data-do]");
    if (what) Promise.resolve(does[what.dataset.do]()).catch((error) => say(error.message));
  });
  find("#file").addEventListener("change", (event) => { const [file] = event.target.files; if (file) give(file, file.name, ""); });

  const left = await kept();
  if (film.dataset.state === "receiving" && left && left.upload === upload) { say(words.unfinished); await give(left.blob, left.name, left.upload); }
  else if (["received", "looked_at"].includes(film.dataset.state)) await look();
}
