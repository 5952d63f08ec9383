// Sends footage in pieces, and goes on where it stopped: after a broken connection, or when the same file is chosen again.
import { sendFile } from "./sending.js";

const form = document.querySelector(".new-fight form");
const file = form.querySelector("[data-send]"), button = form.querySelector("[data-make]");
const place = form.querySelector("[data-sending]"), bar = place.querySelector("progress"), words = place.querySelector("span");
let turn = 0;

file.addEventListener("change", async () => {
  const mine = ++turn, chosen = file.files[0];
  form.elements.upload.value = "";
  place.hidden = !chosen;
  button.disabled = Boolean(chosen);
  if (!chosen) return;
  try {
    const key = await sendFile(chosen, form.dataset.key, {
      told: (part, text) => { bar.value = part; words.textContent = text; },
      stopped: () => mine !== turn,
    });
    if (mine !== turn) return;
    form.elements.upload.value = key;
    bar.value = 1;
    words.textContent = "All of it is here.";
  } catch (problem) { words.textContent = problem.message; }
  if (mine === turn) button.disabled = false;
});
