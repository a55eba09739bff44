// Talks to the server: the token of the address goes along as a header, nothing goes elsewhere.

import { quoted } from "./dom.js";

const given = () => /^#([\w-]{16,})$/.exec(location.hash)?.[1]; // not a place on the page, as #s3

const token = given() ?? sessionStorage.getItem("token") ?? "";
sessionStorage.setItem("token", token);

// The address is seen by history, bookmarks and whoever looks on: what opens the song goes out of it.
if (given()) history.replaceState(null, "", "/");

// The address of a newer server, pasted over this page's.
addEventListener("hashchange", () => {
  if (given()) location.reload();
});

export class Refused extends Error {
  /** `field` is the fact of the song that `why` is about, where it is about one. */
  constructor(message, status, { field = "", why = "" } = {}) {
    super(quoted(message));
    Object.assign(this, { status, field, why: quoted(why) });
  }
}

async function ask(path, options = {}) {
  let answer;
  try {
    answer = await fetch(`/api/${path}`, {
      ...options,
      headers: { "x-retune-token": token, ...options.headers },
    });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Refused(
      "The server does not answer. Start retune serve again; what is not saved is still here.",
      0,
    );
  }
  if (!answer.ok) {
    const told = await answer.json().catch(() => ({ error: `the server said ${answer.status}` }));
    throw new Refused(told.error, answer.status, told);
  }
  return answer;
}

export const get = async (path) => (await ask(path)).json();
export const getBytes = async (path, headers = {}) => (await ask(path, { headers })).arrayBuffer();

function posted(body, signal) {
  return {
    method: "POST",
    body: JSON.stringify(body),
    signal,
    headers: { "content-type": "application/json" },
  };
}

export const post = async (path, body = {}, signal) => (await ask(path, posted(body, signal))).json();
export const postForBytes = async (path, body, signal) =>
  (await ask(path, posted(body, signal))).arrayBuffer();

export const upload = async (file) =>
  (
    await ask(`upload?name=${encodeURIComponent(file.name)}`, {
      method: "PUT",
      body: file,
      headers: { "content-type": "application/octet-stream" },
    })
  ).json();

/** The changed spans: { edits, warnings, pieces }, each patch with its channels as float32. */
export function unpack(bytes) {
  const length = new DataView(bytes).getUint32(0, true);
  const head = JSON.parse(new TextDecoder().decode(new Uint8Array(bytes, 4, length)));
  const samples = new Float32Array(bytes, 4 + length);
  for (const piece of head.pieces) {
    if (!piece.patches) continue;
    piece.patches = piece.patches.map((p) => ({
      start: p.start,
      channels: Array.from({ length: p.n_channels }, (_, c) =>
        samples.slice(p.offset + c * p.n_samples, p.offset + (c + 1) * p.n_samples),
      ),
    }));
  }
  return head;
}
