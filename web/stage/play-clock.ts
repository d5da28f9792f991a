import { frame, frameCount, frameDuration, isPlaying, range, speed } from '../model/view.ts';

/** Moves the shown frame on by the time that has passed, while the motion plays. */
export class PlayClock {
  #last = 0;
  /** Part of a frame that has passed already. */
  #carry = 0;

  /** @param now  ms, as given to an animation frame */
  tick(now: number): void {
    const passed = (now - this.#last) / 1000;
    this.#last = now;
    if (!isPlaying.value || frameCount.value <= 1) return;
    this.#carry += (passed / frameDuration.value) * speed.value;
    const whole = Math.floor(this.#carry);
    this.#carry -= whole;
    if (whole === 0) return;
    const [from, to] = range.value ?? [0, frameCount.value - 1];
    const length = Math.max(1, to - from + 1);
    frame.value = from + ((Math.max(0, frame.value - from) + whole) % length);
  }
}
