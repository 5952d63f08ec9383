import { settle } from "./video.js";
for (const video of document.querySelectorAll("video.player")) settle(video);
