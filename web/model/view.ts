import { computed, effect, signal } from '@preact/signals';
import { playsExercise, rig } from './rig.ts';
import { before, motion } from './store.ts';

/** How the picture is looked at: nothing here changes the result, and undo does not touch it. */
export type Section = 'measured' | 'pairing' | 'posture' | 'options' | 'proof' | 'rig' | 'deliver';
export const section = signal<Section>('measured');

export type Arrangement = 'beside' | 'over';
export const arrangement = signal<Arrangement>('beside');
export type Camera = 'free' | 'front' | 'side' | 'top';
export const camera = signal<Camera>('free');
export const follows = signal(true);

/** Aids that can be laid over the picture. */
export const aids = {
  joints: signal(false),
  footprints: signal(true),
  trails: signal(false),
  errors: signal(false),
};
export type Heat = 'none' | 'stretch' | 'weight';
export const heat = signal<Heat>('none');

/** Frame that is shown, from 0; whole numbers only. */
export const frame = signal(0);
export const isPlaying = signal(false);
export const speed = signal(1);
/** Frames between which play goes round; null for the whole clip. */
export const range = signal<[number, number] | null>(null);

/** What the figures show: the motion, or a posture to look at the body itself. */
export const stance = computed<'motion' | 'rest' | 'canonical'>(() => {
  if (!motion.value) return 'rest';
  if (section.value === 'pairing' || section.value === 'posture') return 'canonical';
  return showsRest.value ? 'rest' : 'motion';
});
export const showsRest = signal(false);

export type FigureName = 'source' | 'target';
export interface Picked {
  figure: FigureName;
  joint: number;
}
/** The joint that is looked at, and the one under the pointer. */
export const picked = signal<Picked | null>(null);
export const hovered = signal<Picked | null>(null);
/** Joints of the character that a finding names; they light up. */
export const lit = signal<readonly string[]>([]);
/** Vertices that a finding names: mesh name and runs of first and last. */
export const litVertices = signal<{ mesh: string; runs: [number, number][] } | null>(null);

// What a finding lights up goes out when the page turns to something else.
effect(() => {
  if (section.value === 'proof' || section.value === 'rig') return;
  lit.value = [];
  litVertices.value = null;
});

/** The measure whose curve the time strip shows. */
export const curve = signal('foot-height');

/** The clip that the character plays: the motion, or the exercise clip. */
/** Whether the motion before the last change is shown. */
export const showsBefore = signal(false);
export const shownClip = computed(() => {
  if (playsExercise.value) return rig.value?.exercise?.clip ?? null;
  const shown = (showsBefore.value && before.value) || motion.value;
  return shown?.clip ?? null;
});
export const frameCount = computed(() => shownClip.value?.frameCount ?? 0);
export const frameDuration = computed(() => shownClip.value?.frameDuration ?? 1 / 60);

export function goTo(to: number): void {
  frame.value = Math.max(0, Math.min(frameCount.value - 1, Math.round(to)));
}

export function stepBy(frames: number): void {
  isPlaying.value = false;
  goTo(frame.value + frames);
}

// A shorter clip leaves no frame beyond its end.
effect(() => {
  if (frameCount.value > 0 && frame.peek() >= frameCount.value) frame.value = frameCount.value - 1;
});

export type Theme = 'system' | 'light' | 'dark';
export const theme = signal<Theme>((localStorage.getItem('theme') as Theme | null) ?? 'system');
effect(() => {
  localStorage.setItem('theme', theme.value);
  if (theme.value === 'system') delete document.documentElement.dataset.theme;
  else document.documentElement.dataset.theme = theme.value;
});
export const darkWanted = matchMedia('(prefers-color-scheme: dark)');
const systemDark = signal(darkWanted.matches);
darkWanted.addEventListener('change', ({ matches }) => {
  systemDark.value = matches;
});
export const isDark = computed(() => (theme.value === 'system' ? systemDark.value : theme.value === 'dark'));
export const prefersStill = matchMedia('(prefers-reduced-motion: reduce)').matches;
