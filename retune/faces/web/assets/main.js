// Begins: asks whether a song is open, waits while it is heard, then shows the bench.

import { get } from "./api.js";
import { setUpBlind } from "./blind-setup.js";
import { setUpBuilder } from "./builder.js";
import { setUpByEar } from "./byear.js";
import { setUpChanges } from "./changes.js";
import { setUpCorrect } from "./correct.js";
import { $, say } from "./dom.js";
import { setUpFacts } from "./facts.js";
import { setUpKeep } from "./keep.js";
import { setUpKeys } from "./keys.js";
import { setUpLarge } from "./large.js";
import { setUpListen } from "./listen.js";
import { setUpNewSong } from "./newsong.js";
import { setUpPicture } from "./picture.js";
import { setUpPlay } from "./play.js";
import { setUpRetime } from "./retime.js";
import { setUpRules } from "./rules.js";
import { on, takeSong, watch } from "./store.js";

function show(part) {
  for (const name of ["hearing", "empty", "bench"]) $(`#${name}`).hidden = name !== part;
}

function opened(song) {
  show("bench");
  takeSong(song, { fresh: true });
}

/** Shows how far the hearing is until the song has come. */
async function hear(coming) {
  show("hearing");
  const look = setInterval(async () => {
    const now = await get("state").catch(() => null);
    if (!now?.stage) return;
    $("#hearing-stage").textContent = `${now.stage[0].toUpperCase()}${now.stage.slice(1)}.`;
    $("#hearing-bar").value = now.fraction;
  }, 300);
  try {
    opened(await coming);
  } finally {
    clearInterval(look);
  }
}

async function begin() {
  setUpFacts();
  setUpPicture();
  setUpRules();
  setUpBuilder();
  setUpChanges();
  setUpListen();
  setUpByEar();
  setUpKeep();
  setUpCorrect();
  setUpRetime();
  setUpPlay();
  setUpBlind();
  setUpLarge();
  setUpKeys();
  const list = setUpNewSong((coming) =>
    hear(coming).catch((error) => {
      show("empty");
      throw error;
    }),
  );
  on("refused", (error) => say(error.why || error.message));
  try {
    const now = await get("state");
    if (now.open) await hear(get("song"));
    else {
      show("empty");
      say("No song open");
      await list();
    }
    watch();
  } catch (error) {
    show("hearing");
    $("#h0").textContent = error.status === 401 ? "This address has expired" : "The song cannot be opened";
    $("#hearing-stage").hidden = $("#hearing-bar").hidden = true;
    $("#hearing-fault").hidden = false;
    $("#hearing-fault").textContent = error.status === 401 ? "Open the one in the terminal." : error.message;
    say("");
  }
}

begin();
