// Shows what is drawn on a clip over its film, each at its time. `frame()` is the frame that is shown; what comes back is
// called when another one is.
import { ask } from "./ask.js";
import { layer, picture, placer } from "./draw_shapes.js";

export function drawn(video, drawings, { times }, frame) {
  let zero = 0, shapes = [];
  // Until its first picture is there, a player shows a poster, which is of another moment.
  let begun = video.currentTime > 0 && !video.seeking;
  let svg = null;
  const at = placer(video);
  function show() {
    if (!svg) return;
    const us = zero + times[frame()];
    const now = shapes.filter((one) => one.from_us <= us && us < one.until_us);
    svg.replaceChildren(...(begun && video.videoWidth ? now.map((one) => picture(one, at, video.videoHeight)) : []));
  }
  for (const sign of ["seeked", "playing"]) video.addEventListener(sign, () => { begun = true; show(); }, { once: true });
  ask(drawings).then((told) => {
    if (!told.drawings.length) return;
    ({ zero, drawings: shapes } = told);
    svg = layer(video, { class: "drawings", role: "img", "aria-label": "Drawn on the picture" });
    new MutationObserver(show).observe(video, { attributeFilter: ["class"] });
    show();
  }).catch(() => {}); // film without its drawings is better than none
  return show;
}
