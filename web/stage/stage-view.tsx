import { effect, useSignal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import { nameOf, pairJoints, partnerOf, roleName, roleOf } from '../model/pairing.ts';
import { playsExercise } from '../model/rig.ts';
import { motion, noteDrawn, performer, receiver } from '../model/store.ts';
import {
  aids,
  arrangement,
  camera,
  follows,
  frame,
  frameCount,
  frameDuration,
  hovered,
  isDark,
  isPlaying,
  lit,
  type Picked,
  picked,
  prefersStill,
  range,
  section,
  shownClip,
  speed,
  stance,
} from '../model/view.ts';
import { heatValues } from './heat.ts';
import { type Label, Labels } from './labels.ts';
import { drawMarks, nearestSpot, type Spot, spotsOf } from './overlay.ts';
import { beginDrag, type Drag, followDrag, RING } from './posture-drag.ts';
import { Stage } from './stage.ts';
import { StageTools } from './stage-tools.tsx';

/** Pixels within which a joint is meant. */
const REACH = 18;

/** The stage that is on screen, for other parts of the page that point at something in it. */
export let stage: Stage | null = null;

export function StageView() {
  const canvas = useRef<HTMLCanvasElement>(null);
  const overlay = useRef<HTMLCanvasElement>(null);
  const names = useRef<HTMLDivElement>(null);
  const drawing = useSignal<{ from: Picked; x: number; y: number } | null>(null);

  useEffect(() => mount(canvas.current!, overlay.current!, names.current!, drawing), [drawing]);

  return (
    <section class="stage" aria-label="Picture of performer and character">
      <canvas
        ref={canvas}
        class="stage-canvas"
        aria-label="Figures in motion. Arrow keys turn the view, plus and minus come nearer and go away."
      />
      <canvas ref={overlay} class="stage-overlay" />
      <div ref={names} class="joint-labels" />
      <StageTools />
    </section>
  );
}

function mount(
  canvas: HTMLCanvasElement,
  overlay: HTMLCanvasElement,
  names: HTMLElement,
  drawing: { value: { from: Picked; x: number; y: number } | null },
): () => void {
  let isDirty = true;
  let next = 0;
  let spots: Spot[] = [];
  const touch = (): void => {
    isDirty = true;
  };
  const here = new Stage(canvas, () => {
    camera.value = 'free';
    touch();
  });
  stage = here;
  const labels = new Labels(names);
  const context = overlay.getContext('2d')!;
  // The picture is turned with the arrow keys.
  canvas.tabIndex = 0;
  canvas.role = 'application';
  const size = { width: 1, height: 1, ratio: 1 };

  const watch = new ResizeObserver(() => {
    const box = canvas.parentElement!.getBoundingClientRect();
    size.width = Math.max(1, Math.round(box.width));
    size.height = Math.max(1, Math.round(box.height));
    size.ratio = Math.min(2, devicePixelRatio);
    here.resize(size.width, size.height, size.ratio);
    overlay.width = size.width * size.ratio;
    overlay.height = size.height * size.ratio;
    touch();
  });
  watch.observe(canvas.parentElement!);

  const stops = [
    effect(() => {
      here.setTheme(isDark.value);
      touch();
    }),
    effect(() => {
      here.setReceiver(receiver.value, motion.value);
      here.setPerformer(performer.value);
      touch();
    }),
    effect(() => {
      if (camera.value !== 'free') here.look(camera.value);
      touch();
    }),
    effect(() => {
      // Whatever the picture shows: read here, so that a change draws it again.
      void [frame.value, stance.value, arrangement.value, follows.value, hovered.value, picked.value, lit.value];
      void [drawing.value, section.value, heatValues.value, shownClip.value];
      for (const aid of Object.values(aids)) void aid.value;
      touch();
    }),
  ];

  let drawn: typeof motion.value = null;
  let last = 0;
  let carry = 0;
  const turn = (now: number): void => {
    next = requestAnimationFrame(turn);
    if (isPlaying.value && frameCount.value > 1) {
      carry += ((now - last) / 1000 / frameDuration.value) * speed.value;
      const whole = Math.floor(carry);
      carry -= whole;
      if (whole > 0) {
        const [from, to] = range.value ?? [0, frameCount.value - 1];
        const length = Math.max(1, to - from + 1);
        frame.value = from + ((Math.max(0, frame.value - from) + whole) % length);
      }
    }
    last = now;
    if (!isDirty) return;
    isDirty = false;
    here.draw({
      frame: frame.value,
      stance: stance.value,
      over: arrangement.value === 'over' || section.value === 'posture',
      follows: follows.value && stance.value === 'motion',
      prints: aids.footprints.value,
      heat: heatValues.value,
      trails: aids.trails.value,
      errors: aids.errors.value,
      clip: shownClip.value,
      alone: playsExercise.value,
    });
    if (drawn !== motion.value) {
      drawn = motion.value;
      if (drawn) noteDrawn();
    }
    const isPairing = section.value === 'pairing' || section.value === 'posture';
    const showJoints = isPairing || aids.joints.value;
    const litJoints = new Set<number>();
    const names = receiver.value?.skeleton.names ?? [];
    names.forEach((name, j) => {
      if (lit.value.includes(name)) litJoints.add(j);
    });
    spots =
      showJoints || litJoints.size > 0
        ? [
            ...(section.value === 'posture' ? [] : spotsOf(here, 'source', size.width, size.height)),
            ...spotsOf(here, 'target', size.width, size.height),
          ]
        : [];
    context.setTransform(size.ratio, 0, 0, size.ratio, 0, 0);
    const chosen = isPairing || aids.joints.value ? picked.value : null;
    const at = hovered.value ?? chosen;
    drawMarks(
      context,
      here,
      {
        spots,
        partnerOf: (spot) => partnerOf(spot),
        hovered: hovered.value,
        picked: chosen,
        drawing: drawing.value,
        litJoints,
        twistRing:
          section.value === 'posture' && picked.value?.figure === 'target' ? { at: picked.value, radius: RING } : null,
        showJoints,
      },
      size.width,
      size.height,
    );
    labels.set(at ? labelsFor(at) : [], spots);
  };
  next = requestAnimationFrame(turn);

  let swing: Drag | null = null;
  const place = (event: PointerEvent): [number, number] => {
    const box = canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };
  const move = (event: PointerEvent): void => {
    const [x, y] = place(event);
    if (swing) {
      followDrag(here, swing, x, y, size.width, size.height);
      return;
    }
    const from = drawing.value?.from;
    const wanted = from ? (from.figure === 'source' ? 'target' : 'source') : undefined;
    const spot = nearestSpot(spots, x, y, REACH, wanted);
    if (from) drawing.value = { from, x: spot?.x ?? x, y: spot?.y ?? y };
    const found = spot && { figure: spot.figure, joint: spot.joint };
    if (found?.figure !== hovered.value?.figure || found?.joint !== hovered.value?.joint) hovered.value = found;
    canvas.classList.toggle('pointing', spot !== null);
  };
  const down = (event: PointerEvent): void => {
    const [x, y] = place(event);
    const spot = nearestSpot(spots, x, y, REACH);
    if (event.button !== 0) return;
    if (section.value === 'posture') {
      const chosen = picked.value?.figure === 'target' ? picked.value.joint : null;
      swing = beginDrag(here, spot?.joint ?? null, chosen, x, y, size.width, size.height);
      if (!swing) return;
      event.stopImmediatePropagation();
      canvas.setPointerCapture(event.pointerId);
      picked.value = { figure: 'target', joint: swing.joint };
      return;
    }
    if (!spot) return;
    picked.value = { figure: spot.figure, joint: spot.joint };
    if (section.value !== 'pairing') return;
    // The drag belongs to the pairing, not to the camera.
    event.stopImmediatePropagation();
    canvas.setPointerCapture(event.pointerId);
    drawing.value = { from: picked.value, x, y };
  };
  const up = (event: PointerEvent): void => {
    swing = null;
    const from = drawing.value?.from;
    if (!from) return;
    drawing.value = null;
    const [x, y] = place(event);
    const to = nearestSpot(spots, x, y, REACH, from.figure === 'source' ? 'target' : 'source');
    if (to) pairJoints(from, { figure: to.figure, joint: to.joint });
  };
  const leave = (): void => {
    hovered.value = null;
  };
  const key = (event: KeyboardEvent): void => {
    const turns: Record<string, () => void> = {
      ArrowLeft: () => here.orbit(-0.12, 0),
      ArrowRight: () => here.orbit(0.12, 0),
      ArrowUp: () => here.orbit(0, -0.1),
      ArrowDown: () => here.orbit(0, 0.1),
      '+': () => here.zoom(0.88),
      '=': () => here.zoom(0.88),
      '-': () => here.zoom(1.14),
    };
    const act = turns[event.key];
    if (!act) return;
    event.preventDefault();
    event.stopPropagation();
    act();
    touch();
  };
  canvas.addEventListener('pointermove', move);
  // Before the camera controls, which listen on the same element.
  canvas.addEventListener('pointerdown', down, { capture: true });
  canvas.addEventListener('pointerup', up);
  canvas.addEventListener('pointerleave', leave);
  canvas.addEventListener('keydown', key);
  if (!prefersStill) isPlaying.value = true;

  return () => {
    cancelAnimationFrame(next);
    watch.disconnect();
    for (const stop of stops) stop();
    here.dispose();
    stage = null;
  };
}

function labelsFor(at: Picked): Label[] {
  const role = roleOf(at.figure, at.joint);
  const partner = partnerOf(at);
  const own = { at, text: role ? `${nameOf(at.figure, at.joint)} · ${roleName(role)}` : nameOf(at.figure, at.joint) };
  if (!partner) return [own];
  const figure = at.figure === 'source' ? 'target' : 'source';
  return [own, { at: { figure, joint: partner.joint }, text: nameOf(figure, partner.joint) }];
}
