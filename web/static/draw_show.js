// Shows what is drawn on a clip over its player, each at its time.
import { layer, picture, placer } from "./draw_shapes.js";

for (const place of document.querySelectorAll(".stage[data-drawings]")) {
  const video = place.querySelector("video");
  const both = Promise.all([place.dataset.drawings, place.dataset.frames].map((at) => fetch(at).then((answer) => answer.json())));
  both.then(([{ zero, drawings }, { times }]) => {
    if (!drawings.length) return;
    const svg = layer(video, { class: "drawings", role: "img", "aria-label": "Drawn on the picture" });
    const at = placer(video);
    let frame = place.querySelector(".seek").valueAsNumber || 0;
    function show() {
      const us = zero + times[frame];
      const now = drawings.filter((one) => one.from_us <= us && us < one.until_us);
      svg.replaceChildren(...(video.videoWidth ? now.map((one) => picture(one, at, video.videoHeight)) : []));
    }
    place.addEventListener("frame", (e) => { frame = e.detail; show(); });
    video.addEventListener("loadedmetadata", show);
    new MutationObserver(show).observe(video, { attributeFilter: ["class"] });
    show();
  });
}
