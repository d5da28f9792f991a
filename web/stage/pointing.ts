import type { Signal } from '@preact/signals';
import { pairJoints } from '../model/pairing.ts';
import { hovered, type Picked, picked, section } from '../model/view.ts';
import { nearestSpot, type Spot } from './overlay.ts';
import { beginDrag, type Drag, followDrag } from './posture-drag.ts';
import type { Stage } from './stage.ts';

/** Pixels within which a joint is meant. */
const REACH = 18;

/** A pairing that is being drawn: from a joint to where the pointer is, pixels. */
export type Drawing = { from: Picked; x: number; y: number } | null;

/** What the pointer points at. */
export interface Pointed {
  stage: Stage;
  canvas: HTMLCanvasElement;
  /** Pixels. */
  size: { width: number; height: number };
  /** The joints as they were drawn last. */
  spots(): readonly Spot[];
  drawing: Signal<Drawing>;
}

/** Joints are picked by pointing at them, paired by drawing from one to the other, and turned where the posture is set. */
export function pointAtJoints({ stage, canvas, size, spots, drawing }: Pointed): void {
  let swing: Drag | null = null;
  const place = (event: PointerEvent): [number, number] => {
    const box = canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };
  const move = (event: PointerEvent): void => {
    const [x, y] = place(event);
    if (swing) {
      followDrag(stage, swing, x, y, size.width, size.height);
      return;
    }
    const from = drawing.value?.from;
    const spot = nearestSpot(spots(), x, y, REACH, from && across(from));
    if (from) drawing.value = { from, x: spot?.x ?? x, y: spot?.y ?? y };
    const found = spot && { figure: spot.figure, joint: spot.joint };
    if (found?.figure !== hovered.value?.figure || found?.joint !== hovered.value?.joint) hovered.value = found;
    canvas.classList.toggle('pointing', spot !== null);
  };
  /** A drag belongs to what it began on, and not to the camera. */
  const take = (event: PointerEvent): void => {
    event.stopImmediatePropagation();
    canvas.setPointerCapture(event.pointerId);
  };
  const down = (event: PointerEvent): void => {
    if (event.button !== 0) return;
    const [x, y] = place(event);
    const spot = nearestSpot(spots(), x, y, REACH);
    if (section.value === 'posture') {
      const chosen = picked.value?.figure === 'target' ? picked.value.joint : null;
      swing = beginDrag(stage, spot?.joint ?? null, chosen, x, y, size.width, size.height);
      if (!swing) return;
      take(event);
      picked.value = { figure: 'target', joint: swing.joint };
      return;
    }
    if (!spot) return;
    picked.value = { figure: spot.figure, joint: spot.joint };
    if (section.value !== 'pairing') return;
    take(event);
    drawing.value = { from: picked.value, x, y };
  };
  const up = (event: PointerEvent): void => {
    swing = null;
    const from = drawing.value?.from;
    if (!from) return;
    drawing.value = null;
    const to = nearestSpot(spots(), ...place(event), REACH, across(from));
    if (to) pairJoints(from, { figure: to.figure, joint: to.joint });
  };
  canvas.addEventListener('pointermove', move);
  // Before the camera controls, which listen on the same element.
  canvas.addEventListener('pointerdown', down, { capture: true });
  canvas.addEventListener('pointerup', up);
  canvas.addEventListener('pointerleave', () => {
    hovered.value = null;
  });
}

/** The figure that a joint can be paired with. */
function across({ figure }: Picked): Picked['figure'] {
  return figure === 'source' ? 'target' : 'source';
}
