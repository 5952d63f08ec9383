// Clips are slices with hidden pictures before the first one. One browser engine paints such a hidden picture
// until the first seek, so every player seeks once, by less than a frame, when its first picture is there.
export function settle(video) {
  video.addEventListener("loadeddata", () => { if (video.currentTime === 0) video.currentTime = 0.002; }, { once: true });
}
