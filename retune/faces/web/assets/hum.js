// Humming a guide: the microphone's sound, asked of the browser, kept on this machine as a WAV file
// beside the song file.

import { upload } from "./api.js";
import { el, say } from "./dom.js";
import { player } from "./listen.js";
import { state } from "./store.js";

const LONGEST_S = 600;

/** Mono samples as a WAV file of 16 bits. */
export function wavOf(samples, rateHz) {
  const bytes = new DataView(new ArrayBuffer(44 + 2 * samples.length));
  const text = (at, words) => [...words].forEach((c, k) => bytes.setUint8(at + k, c.charCodeAt(0)));
  text(0, "RIFF");
  bytes.setUint32(4, 36 + 2 * samples.length, true);
  text(8, "WAVEfmt ");
  bytes.setUint32(16, 16, true);
  bytes.setUint16(20, 1, true);
  bytes.setUint16(22, 1, true);
  bytes.setUint32(24, rateHz, true);
  bytes.setUint32(28, 2 * rateHz, true);
  bytes.setUint16(32, 2, true);
  bytes.setUint16(34, 16, true);
  text(36, "data");
  bytes.setUint32(40, 2 * samples.length, true);
  samples.forEach((value, k) =>
    bytes.setInt16(44 + 2 * k, Math.round(32767 * Math.max(-1, Math.min(1, value))), true),
  );
  return bytes.buffer;
}

async function decoded(blob) {
  const ctx = new OfflineAudioContext(1, 1, 44100);
  const found = await ctx.decodeAudioData(await blob.arrayBuffer());
  const mono = found.getChannelData(0).slice();
  for (let c = 1; c < found.numberOfChannels; c += 1)
    found.getChannelData(c).forEach((value, k) => (mono[k] += value));
  return [mono.map((value) => value / found.numberOfChannels), found.sampleRate];
}

async function stored(chunks, type) {
  const [samples, rateHz] = await decoded(new Blob(chunks, { type }));
  const stamp = new Date()
    .toISOString()
    .replace(/[-:T]|\..*/g, "")
    .slice(2);
  const name = `hummed-${stamp}.wav`;
  await upload(new File([wavOf(samples, rateHz)], name));
  return name;
}

/** A button that records until it is pressed again; `done` is told the name of the file. */
export function hummer(done) {
  let recorder = null;
  let limit = 0;
  const chunks = [];
  const button = el("button", { type: "button", id: "hum" }, "Hum it into the microphone");
  const along = el("input", { type: "checkbox", id: "hum-along" });
  const end = async () => {
    clearTimeout(limit);
    button.textContent = "Hum it into the microphone";
    recorder.stream.getTracks().forEach((track) => track.stop());
    if (player?.playing) player.pause();
    const { mimeType } = recorder;
    recorder = null;
    try {
      const name = await stored(chunks.splice(0), mimeType);
      say(`Recorded ${name}: press Change to take it as the guide`);
      done(name);
    } catch (error) {
      say(`The recording cannot be used: ${error.message}`);
    }
  };
  button.addEventListener("click", async () => {
    if (recorder) return recorder.stop();
    if (!navigator.mediaDevices?.getUserMedia) return say("This browser hands no microphone to pages");
    try {
      const stream = await navigator.mediaDevices.getUserMedia({
        audio: { echoCancellation: false, noiseSuppression: false, autoGainControl: false },
      });
      recorder = new MediaRecorder(stream);
      recorder.addEventListener("dataavailable", ({ data }) => data.size && chunks.push(data));
      recorder.addEventListener("stop", end);
      recorder.start();
      limit = setTimeout(() => recorder.stop(), 1000 * LONGEST_S);
      button.textContent = "Stop: that was the melody";
      if (along.checked) player?.play(state.place);
      return say("Recording. It stays on this machine.");
    } catch (error) {
      return say(
        error.name === "NotAllowedError"
          ? "The browser did not allow the microphone"
          : `No microphone: ${error.message}`,
      );
    }
  });
  return el(
    "div",
    { class: "set" },
    button,
    el(
      "label",
      { class: "row small" },
      along,
      el("span", {}, "and play the song meanwhile (with headphones)"),
    ),
  );
}
