// How film is looked at, kept from clip to clip for the visit: speed, mirrored or not, repeated or not, with sound or not.
const KEY = "cliplib.looking";
const USUAL = { speed: 1, mirror: false, loop: false, sound: true };

// `first`: what is otherwise than usual for somebody who has chosen nothing yet.
export function kept(first = {}) {
  const usual = { ...USUAL, ...first };
  try { return { ...usual, ...JSON.parse(sessionStorage.getItem(KEY)) }; } catch { return usual; }
}
export function keep(what) { sessionStorage.setItem(KEY, JSON.stringify({ ...kept(), ...what })); }
