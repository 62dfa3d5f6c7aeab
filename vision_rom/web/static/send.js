// Sends a file piece by piece; after a broken line it asks how much has arrived and goes on from there.

const PIECE = 2 * 1024 * 1024;
const LONGEST_WAIT_S = 30;

const wait = (seconds) => new Promise((done) => setTimeout(done, seconds * 1000));

/** A refusal by the server, with its sentence; trying again would not help. */
export class Refused extends Error {}

export async function asked(url, options = {}) {
  const answer = await fetch(url, { credentials: "same-origin", ...options });
  const text = await answer.text();
  let content = {};
  try { content = text ? JSON.parse(text) : {}; } catch { /* an answer without data */ }
  if (!answer.ok) {
    const sentence = typeof content.detail === "string" ? content.detail : `The server answered ${answer.status}.`;
    const error = answer.status >= 500 && answer.status !== 507 ? new Error(sentence) : new Refused(sentence);
    error.status = answer.status;
    throw error;
  }
  return content;
}

/**
 * Send a file to an upload that was announced.
 * url: of the upload; headers: sent with each piece; onShare(share): 0 to 1; onWaiting(seconds): the line is broken.
 */
export async function send(file, url, { headers = {}, onShare = () => {}, onWaiting = () => {}, stopped = () => false } = {}) {
  let failures = 0;
  let state = null;
  while (!stopped()) {
    try {
      if (state === null) state = await asked(url);
      onShare(state.offset / file.size);
      if (state.offset >= file.size) return state;
      const piece = file.slice(state.offset, Math.min(state.offset + PIECE, file.size));
      state = await asked(url, {
        method: "PATCH", body: piece,
        headers: { ...headers, "content-type": "application/offset+octet-stream", "upload-offset": String(state.offset) },
      });
      failures = 0;
    } catch (error) {
      const again = !(error instanceof Refused) || error.status === 409 || error.status === 423 || error.status === 429;
      if (!again || failures > 400) throw error;
      state = null;
      failures += 1;
      const seconds = Math.min(LONGEST_WAIT_S, 0.5 * 2 ** Math.min(failures, 6));
      onWaiting(seconds);
      await Promise.race([wait(seconds), new Promise((done) => addEventListener("online", done, { once: true }))]);
    }
  }
  return null;
}
