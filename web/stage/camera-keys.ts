import type { Stage } from './stage.ts';

/** The view is turned with the arrow keys, and comes nearer and goes away with plus and minus. */
export function turnByKeys(canvas: HTMLCanvasElement, stage: Stage, onChange: () => void): void {
  const turns: Record<string, () => void> = {
    ArrowLeft: () => stage.orbit(-0.12, 0),
    ArrowRight: () => stage.orbit(0.12, 0),
    ArrowUp: () => stage.orbit(0, -0.1),
    ArrowDown: () => stage.orbit(0, 0.1),
    '+': () => stage.zoom(0.88),
    '=': () => stage.zoom(0.88),
    '-': () => stage.zoom(1.14),
  };
  canvas.tabIndex = 0;
  canvas.role = 'application';
  canvas.addEventListener('keydown', (event) => {
    const act = turns[event.key];
    if (!act) return;
    event.preventDefault();
    event.stopPropagation();
    act();
    onChange();
  });
}
