// How film is looked at, kept from clip to clip for the visit: speed, mirrored or not, repeated or not, with sound or not.
const KEY = "cliplib.looking";
const USUAL = { speed: 1, mirror: false, loop: false, sound: true };

export function kept() {
  try { return { ...USUAL, ...JSON.parse(sessionStorage.getItem(KEY)) }; } catch { return { ...USUAL }; }
}
export function keep(what) { sessionStorage.setItem(KEY, JSON.stringify({ ...kept(), ...what })); }
