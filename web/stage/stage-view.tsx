import { effect, type Signal, useSignal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import { nameOf, partnerOf, roleName, roleOf } from '../model/pairing.ts';
import { playsExercise } from '../model/rig.ts';
import { motion, noteDrawn, performer, receiver } from '../model/store.ts';
import {
  aids,
  arrangement,
  camera,
  follows,
  frame,
  hovered,
  isDark,
  isPlaying,
  lit,
  type Picked,
  picked,
  prefersStill,
  section,
  shownClip,
  stance,
} from '../model/view.ts';
import { turnByKeys } from './camera-keys.ts';
import { heatValues } from './heat.ts';
import { type Label, Labels } from './labels.ts';
import { drawMarks, type Spot, spotsOf } from './overlay.ts';
import { PlayClock } from './play-clock.ts';
import { type Drawing, pointAtJoints } from './pointing.ts';
import { RING } from './posture-drag.ts';
import { Stage } from './stage.ts';
import { StageTools } from './stage-tools.tsx';

/** The stage that is on screen, for other parts of the page that point at something in it. */
export let stage: Stage | null = null;

export function StageView() {
  const canvas = useRef<HTMLCanvasElement>(null);
  const overlay = useRef<HTMLCanvasElement>(null);
  const names = useRef<HTMLDivElement>(null);
  const drawing = useSignal<Drawing>(null);

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
  drawing: Signal<Drawing>,
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

  const clock = new PlayClock();
  let drawn: typeof motion.value = null;
  const turn = (now: number): void => {
    next = requestAnimationFrame(turn);
    clock.tick(now);
    if (!isDirty) return;
    isDirty = false;
    drawFigures(here);
    if (drawn !== motion.value) {
      drawn = motion.value;
      if (drawn) noteDrawn();
    }
    spots = drawJoints(here, overlay, size, drawing.value);
    const at = hovered.value ?? chosenJoint();
    labels.set(at ? labelsFor(at) : [], spots);
  };
  next = requestAnimationFrame(turn);
  pointAtJoints({ stage: here, canvas, size, spots: () => spots, drawing });
  turnByKeys(canvas, here, touch);
  if (!prefersStill) isPlaying.value = true;

  return () => {
    cancelAnimationFrame(next);
    watch.disconnect();
    for (const stop of stops) stop();
    here.dispose();
    stage = null;
  };
}

function drawFigures(here: Stage): void {
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
}

function showsJoints(): boolean {
  return section.value === 'pairing' || section.value === 'posture' || aids.joints.value;
}

/** The joint that is picked, where joints are shown. */
function chosenJoint(): Picked | null {
  return showsJoints() ? picked.value : null;
}

/** Draws joints, and what is marked of them, over the picture. Returns where they are, in pixels. */
function drawJoints(
  here: Stage,
  overlay: HTMLCanvasElement,
  { width, height, ratio }: { width: number; height: number; ratio: number },
  drawing: Drawing,
): Spot[] {
  const litJoints = new Set<number>();
  receiver.value?.skeleton.names.forEach((name, j) => {
    if (lit.value.includes(name)) litJoints.add(j);
  });
  const isPosture = section.value === 'posture';
  const spots =
    showsJoints() || litJoints.size > 0
      ? [...(isPosture ? [] : spotsOf(here, 'source', width, height)), ...spotsOf(here, 'target', width, height)]
      : [];
  const context = overlay.getContext('2d')!;
  context.setTransform(ratio, 0, 0, ratio, 0, 0);
  drawMarks(
    context,
    here,
    {
      spots,
      partnerOf: (spot) => partnerOf(spot),
      hovered: hovered.value,
      picked: chosenJoint(),
      drawing,
      litJoints,
      twistRing: isPosture && picked.value?.figure === 'target' ? { at: picked.value, radius: RING } : null,
      showJoints: showsJoints(),
    },
    width,
    height,
  );
  return spots;
}

function labelsFor(at: Picked): Label[] {
  const role = roleOf(at.figure, at.joint);
  const partner = partnerOf(at);
  const own = { at, text: role ? `${nameOf(at.figure, at.joint)} · ${roleName(role)}` : nameOf(at.figure, at.joint) };
  if (!partner) return [own];
  const figure = at.figure === 'source' ? 'target' : 'source';
  return [own, { at: { figure, joint: partner.joint }, text: nameOf(figure, partner.joint) }];
}
