// The microphone: asking for it, what to say when there is none, its level, and its sound in pieces.
const KINDS = ["audio/webm;codecs=opus", "audio/ogg;codecs=opus", "audio/mp4;codecs=mp4a.40.2", "audio/mp4", "audio/webm"];
const PIECE_MS = 1000;

const REFUSED = {
  NotAllowedError: "The browser was not allowed to use the microphone. Allow it for this page (the sign beside the address), then press Record.",
  NotFoundError: "There is no microphone. Plug one in, or bring a sound file instead.",
  NotReadableError: "The microphone is there, but another program holds it, or the system does not give it. Close that program, then press Record.",
};

// Why this browser cannot record on this page at all; empty if it can.
export function cannot() {
  if (!window.isSecureContext) {
    return "Browsers give a microphone only to pages on this machine (localhost) or over HTTPS. Open the library on the machine it runs on, or bring a sound file instead.";
  }
  if (!navigator.mediaDevices?.getUserMedia || !window.MediaRecorder) return "This browser cannot record sound. Use another one, or bring a sound file instead.";
  return "";
}

// `piece(blob)` gets each piece of sound as it comes, `lost(words)` is called once if the microphone goes away.
export async function microphone({ piece, lost, level }) {
  let stream;
  try {
    // As it is: what browsers do for telephone calls takes away from a voice, and delays it.
    stream = await navigator.mediaDevices.getUserMedia({ audio: { echoCancellation: false, noiseSuppression: false, autoGainControl: false } });
  } catch (problem) {
    throw new Error(REFUSED[problem.name] ?? `The microphone cannot be used: ${problem.message}`);
  }
  const kind = KINDS.find((one) => MediaRecorder.isTypeSupported(one)) ?? "";
  const release = () => { for (const one of stream.getTracks()) one.stop(); };
  let recorder;
  try {
    recorder = new MediaRecorder(stream, { ...(kind ? { mimeType: kind } : {}), audioBitsPerSecond: 96_000 });
  } catch (problem) {
    release();
    throw new Error(`This browser cannot record from that microphone (${problem.message}). Choose another one, or bring a sound file instead.`);
  }
  const track = stream.getAudioTracks()[0];
  const context = new AudioContext(), analyser = context.createAnalyser();
  analyser.fftSize = 2048;
  context.createMediaStreamSource(stream).connect(analyser);
  const samples = new Float32Array(analyser.fftSize);
  const ticking = setInterval(() => {
    analyser.getFloatTimeDomainData(samples);
    level(samples.reduce((most, value) => Math.max(most, Math.abs(value)), 0), track.muted);
  }, 100);

  const stopped = new Promise((done) => recorder.addEventListener("stop", done, { once: true }));
  recorder.addEventListener("dataavailable", (e) => { if (e.data.size) piece(e.data); });
  recorder.addEventListener("error", (e) => lost(`The browser stopped recording (${e.error?.message ?? "it does not say why"}).`));
  track.addEventListener("ended", () => lost("The microphone was pulled out or taken away."));

  let begun = false;
  return {
    name: track.label,
    kind: recorder.mimeType || kind,
    // The moment on the page's clock at which its sound begins. It is the call's: the event that tells of it waits
    // for its turn (Chromium: 50 to 85 ms), and the sound does not.
    begin() {
      const at = performance.now();
      begun = true;
      recorder.start(PIECE_MS);
      return at;
    },
    async end() {
      if (recorder.state !== "inactive") recorder.stop();
      if (begun) await stopped;
      clearInterval(ticking);
      release();
      await context.close();
    },
  };
}
