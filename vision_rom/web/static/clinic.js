// The visit's page: recordings are dropped or chosen, and sent one after the other.
import { asked, send } from "./send.js";

const zone = document.querySelector("[data-visit]");
if (zone) {
  const token = zone.dataset.formToken;
  const list = zone.querySelector("[data-sending]");
  const choice = zone.querySelector("input[type=file]");
  const consent = zone.querySelector("[name=consent]");
  const said = zone.querySelector("[data-said]");
  let line = Promise.resolve();

  const take = (files) => {
    if (!files.length) return;
    if (!consent.checked) {
      said.textContent = "First tick that the patient agreed that the recordings are kept.";
      consent.focus();
      return;
    }
    said.textContent = "";
    for (const file of files) line = line.then(() => sendOne(file));
  };

  async function sendOne(file) {
    const row = document.createElement("li");
    const name = document.createElement("span");
    name.textContent = file.name;
    const bar = document.createElement("progress");
    bar.max = 1; bar.value = 0;
    bar.setAttribute("aria-label", `Sending ${file.name}`);
    const state = document.createElement("span");
    state.className = "soft";
    row.append(name, bar, state);
    list.append(row);
    const value = (field) => zone.querySelector(`[name=${field}]`).value || null;
    try {
      const announced = await asked(`/api/visits/${zone.dataset.visit}/uploads`, {
        method: "POST",
        headers: { "content-type": "application/json", "x-form-token": token },
        body: JSON.stringify({
          name: file.name.slice(0, 300), size: file.size, movement: value("movement"), side: value("side"),
          mirrored: zone.querySelector("[name=mirrored]").checked, consent: true,
        }),
      });
      await send(file, `/api/uploads/${announced.id}`, {
        headers: { "x-form-token": token },
        onShare: (share) => { bar.value = share; state.textContent = `${Math.round(share * 100)} %`; },
        onWaiting: () => { state.textContent = "The line is broken; trying again."; },
      });
      state.textContent = "Arrived; it is being measured.";
      document.body.dispatchEvent(new Event("arrived"));
    } catch (error) {
      state.textContent = error.message;
      bar.remove();
    }
  }

  choice.addEventListener("change", () => { take([...choice.files]); choice.value = ""; });
  zone.addEventListener("dragover", (event) => { event.preventDefault(); zone.classList.add("over"); });
  zone.addEventListener("dragleave", () => zone.classList.remove("over"));
  zone.addEventListener("drop", (event) => {
    event.preventDefault();
    zone.classList.remove("over");
    take([...event.dataTransfer.files]);
  });
}

for (const button of document.querySelectorAll("[data-sure]")) {
  button.addEventListener("click", (event) => { if (!confirm(button.dataset.sure)) event.preventDefault(); });
}
