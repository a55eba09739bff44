// A click on every beat of a reading, over whatever the player sounds and on its clock.

import { isNewClick, upcoming } from "./beats.js";

const LOOK_MS = 25;
const AHEAD_S = 0.15;
const DOWN_HZ = 1760;
const BEAT_HZ = 1175;
const LENGTH_S = 0.04;

/** One click, from `when` of the clock of `ctx` on. */
export function strike(ctx, out, when, isDown) {
  const tone = ctx.createOscillator();
  const level = ctx.createGain();
  tone.frequency.value = isDown ? DOWN_HZ : BEAT_HZ;
  level.gain.setValueAtTime(isDown ? 0.7 : 0.4, when);
  level.gain.exponentialRampToValueAtTime(0.001, when + LENGTH_S);
  tone.connect(level).connect(out);
  tone.start(when);
  tone.stop(when + LENGTH_S);
  return tone;
}

export class Clicker {
  /** `playerNow` gives the player that sounds, which another song replaces. */
  constructor(playerNow) {
    this.playerNow = playerNow;
    this.beats = [];
    this.timer = 0;
    this.struck = []; // { tone, when, at_s } of late, so that those to come can be taken back
    this.jump = -1;
  }

  get isOn() {
    return this.timer !== 0;
  }

  start(beats) {
    this.beats = beats;
    this.takeBack();
    this.timer ||= setInterval(() => this.look(), LOOK_MS);
  }

  stop() {
    clearInterval(this.timer);
    this.timer = 0;
    this.takeBack();
  }

  /** Silences what is not yet heard. */
  takeBack() {
    const now = this.playerNow()?.ctx?.currentTime ?? 0;
    for (const { tone, when } of this.struck) if (when > now) tone.stop();
    this.struck = this.struck.filter(({ when }) => when <= now);
  }

  look() {
    const player = this.playerNow();
    if (!player?.playing) {
      this.takeBack();
      this.jump = -1;
      return;
    }
    if (player.jump !== this.jump) {
      this.jump = player.jump;
      this.stampThen = player.stamp;
      this.takeBack();
    }
    if (player.stamp === this.stampThen) return; // the mixer has not yet said where it is
    this.stampThen = null;
    this.ahead(player);
  }

  ahead(player) {
    const { ctx } = player;
    const at = player.position + ctx.currentTime - player.stamp;
    for (const { at_s, isDown, in_s } of upcoming(this.beats, at, AHEAD_S, player.loop)) {
      const when = ctx.currentTime + in_s;
      const last = this.struck[this.struck.length - 1]?.when ?? -Infinity;
      if (isNewClick(when, last)) {
        this.struck.push({ tone: strike(ctx, player.volume, when, isDown), when, at_s });
      }
    }
    if (this.struck.length > 64) this.struck.splice(0, 32);
  }
}
