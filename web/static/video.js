// Clips are slices with hidden pictures before the first one. One browser engine paints such a hidden picture
// until the first seek, so every player seeks once, by less than a frame, when its first picture is there.
export function settle(video) {
  const seek = () => { if (video.currentTime === 0) video.currentTime = 0.002; };
  // A clip from the browser's cache may have its picture before this script is there.
  if (video.readyState >= HTMLMediaElement.HAVE_CURRENT_DATA) seek();
  else video.addEventListener("loadeddata", seek, { once: true });
}
