// Sends a file in pieces, and goes on where it stopped: after a broken connection, or when the same file is sent again.
import { ask } from "./ask.js";

const PIECE = 1 << 20;
const rest = (ms) => new Promise((done) => setTimeout(done, ms));

// The key it is kept under; null if `stopped` said so. `told` gets the part that is there, from 0 to 1, and words.
export async function sendFile(chosen, key, { told, stopped = () => false }) {
  const name = `sending ${chosen.name} ${chosen.size} ${chosen.lastModified}`;
  const known = localStorage.getItem(name);
  let state = known && (await ask(`/api/uploads/${known}`).catch(() => null));
  state ||= await ask("/api/uploads", { method: "POST", key, json: { size: chosen.size } });
  localStorage.setItem(name, state.key);
  const sent = state.key, place = `/api/uploads/${sent}`;
  for (let tries = 0; state.offset < chosen.size;) {
    if (stopped()) return null;
    const part = state.offset / chosen.size;
    told(part, `${Math.floor(100 * part)} % of ${(chosen.size / 1e6).toFixed(0)} MB`);
    try {
      const piece = chosen.slice(state.offset, state.offset + PIECE);
      state = await ask(place, { method: "PATCH", key, body: piece, headers: { "Upload-Offset": String(state.offset), "Content-Type": "application/octet-stream" } })
        .catch((problem) => { if (problem.status !== 409) throw problem; return ask(place); }); // it has another part of it
      tries = 0;
    } catch (problem) {
      if (problem.status && problem.status < 500 || ++tries > 20) throw problem;
      told(part, "The connection broke; trying again…");
      await rest(Math.min(10_000, 500 * 2 ** tries));
      state = await ask(place).catch(() => state);
    }
  }
  localStorage.removeItem(name);
  return sent;
}
