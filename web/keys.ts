import { before, history } from './model/store.ts';
import { arrangement, follows, frameCount, goTo, isPlaying, showsBefore, showsRest, stepBy } from './model/view.ts';

/** What each key does, for the page that lists them. */
export const KEYS: [string, string][] = [
  ['Space', 'play and stop'],
  [', and .', 'a frame back and on'],
  ['Shift , and .', 'ten frames back and on'],
  ['Home and End', 'first and last frame'],
  ['O', 'overlay the figures, or set them side by side'],
  ['F', 'follow the figure'],
  ['B', 'the motion before the last change, and after it'],
  ['R', 'rest pose'],
  ['Ctrl Z and Ctrl Shift Z', 'undo and redo'],
  ['Arrows, + and -', 'turn the picture and come nearer, when it has the focus'],
];

/** Keys of the whole page; fields keep their own. Returns what takes them away again. */
export function bindKeys(): () => void {
  const listen = (event: KeyboardEvent): void => {
    const { key, ctrlKey, metaKey, shiftKey, target } = event;
    if (ctrlKey || metaKey) {
      if (key.toLowerCase() === 'z') {
        event.preventDefault();
        if (shiftKey) history.redo();
        else history.undo();
      } else if (key.toLowerCase() === 'y') {
        event.preventDefault();
        history.redo();
      }
      return;
    }
    const inField = target instanceof HTMLElement && target.closest('input, select, textarea, [contenteditable]');
    const onButton = target instanceof HTMLElement && target.closest('button, summary, a');
    if (inField || (onButton && (key === ' ' || key === 'Enter'))) return;
    const acts: Record<string, () => void> = {
      ' ': () => {
        isPlaying.value = !isPlaying.value;
      },
      ',': () => stepBy(-1),
      '.': () => stepBy(1),
      '<': () => stepBy(-10),
      '>': () => stepBy(10),
      ';': () => stepBy(-10),
      ':': () => stepBy(10),
      Home: () => goTo(0),
      End: () => goTo(frameCount.value - 1),
      o: () => {
        arrangement.value = arrangement.value === 'over' ? 'beside' : 'over';
      },
      f: () => {
        follows.value = !follows.value;
      },
      b: () => {
        showsBefore.value = !showsBefore.value && before.value !== null;
      },
      r: () => {
        showsRest.value = !showsRest.value;
      },
    };
    const act = acts[key] ?? acts[key.toLowerCase()];
    if (!act) return;
    event.preventDefault();
    act();
  };
  addEventListener('keydown', listen);
  return () => removeEventListener('keydown', listen);
}
