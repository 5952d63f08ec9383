// Shows what is drawn on a clip over its player, each at its time.
import { layer, picture, placer } from "./draw_shapes.js";

for (const place of document.querySelectorAll(".stage[data-drawings]")) {
  const video = place.querySelector("video");
  const both = Promise.all([place.dataset.drawings, place.dataset.frames].map((at) => fetch(at).then((answer) => answer.json())));
  both.then(([{ zero, drawings }, { times }]) => {
    if (!drawings.length) return;
    const svg = layer(video, { class: "drawings", role: "img", "aria-label": "Drawn on the picture" });
    const at = placer(video);
    // Until its first picture is there, a player shows a poster, which is of another moment.
    let begun = video.currentTime > 0 && !video.seeking;
    for (const sign of ["seeked", "playing"]) video.addEventListener(sign, () => { begun = true; show(); }, { once: true });
    let frame = place.querySelector(".seek").valueAsNumber || 0;
    function show() {
      const us = zero + times[frame];
      const now = drawings.filter((one) => one.from_us <= us && us < one.until_us);
      svg.replaceChildren(...(begun && video.videoWidth ? now.map((one) => picture(one, at, video.videoHeight)) : []));
    }
    place.addEventListener("frame", (e) => { frame = e.detail; show(); });
    new MutationObserver(show).observe(video, { attributeFilter: ["class"] });
    show();
  });
}
