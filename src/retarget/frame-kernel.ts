/**
 * Runs `src/kernels/frame-loop.ts`, the WebAssembly twin of the frame loop in `retargeter.ts`, over the frames of a clip.
 * The frame loop there stays for who wants single frames, and where WebAssembly cannot be had: the results are the same bits.
 */
import { align16, growTo, startModule } from '../math/web-assembly.ts';
import type { Clip } from '../skeleton/clip.ts';
import { KERNEL_CODE } from './frame-kernel-code.ts';
import type { LimbTargets } from './limb-targets.ts';
import type { RetargetPlan, TwistPlan } from './plan.ts';
import { type RetargetPart, workLists } from './work-lists.ts';

/** Frames that the kernel is given at once: both ends of the work stay in the second cache. */
const PIECE = 64;

/** World places or turns of a joint in every frame, kept while a clip is run. */
export interface JointRecord {
  /** A target joint; `jointCount` + limb for the end of a limb that has no joint there. */
  joint: number;
  /** Frame-major, 3 numbers a place, 4 a turn. */
  to: Float64Array;
}

/** What is to be run, and what comes of it. */
export interface FrameWork {
  plan: RetargetPlan;
  part: RetargetPart;
  src: Clip;
  targets?: LimbTargets;
  /** Made by `createTargetClip`. */
  out?: Clip;
  places?: readonly JointRecord[];
  turns?: readonly JointRecord[];
}

/** Numbers that the kernel is told by name. */
type Settings = { [name: string]: WebAssembly.Global };

interface FrameKernel {
  memory: WebAssembly.Memory;
  settings: Settings;
  run(frameCount: number): void;
  /** Whose work lies in the memory. */
  owner: KernelFrames | null;
}

let shared: FrameKernel | null | undefined;

/** The kernel with that work; null where WebAssembly may not be compiled. */
export function openKernelFrames(work: FrameWork): KernelFrames | null {
  if (shared === undefined) shared = startKernel();
  return shared && new KernelFrames(shared, work);
}

function startKernel(): FrameKernel | null {
  const { acos, atan2, cos, exp, sin } = Math;
  const exports = startModule(KERNEL_CODE, { 'host-math': { acos, atan2, cos, exp, sin } });
  if (exports === null) return null;
  const { memory, run } = exports as unknown as Pick<FrameKernel, 'memory' | 'run'>;
  return { memory, run, settings: exports as Settings, owner: null };
}

/** An array that stands in the memory for some frames at a time. */
interface Window {
  address: number;
  array: Float32Array | Float64Array;
  /** Numbers a frame. */
  width: number;
}

/** Work in the memory of the kernel. Several may be open: each lays itself out anew when another one was there. */
export class KernelFrames {
  readonly #kernel: FrameKernel;
  readonly #work: FrameWork;
  /** Copied in before frames are run, and out after it. */
  #reads: Window[] = [];
  #writes: Window[] = [];
  #places = 0;
  #turns = 0;

  constructor(kernel: FrameKernel, work: FrameWork) {
    this.#kernel = kernel;
    this.#work = work;
  }

  /** Runs frames from `first` to before `end`. */
  run(first: number, end: number): void {
    const { memory } = this.#kernel;
    const { places = [], turns = [] } = this.#work;
    this.#own();
    for (let f = first; f < end; f += PIECE) {
      const count = Math.min(PIECE, end - f);
      for (const window of this.#reads) viewOf(memory, window, count).set(frames(window, f, count));
      this.#kernel.run(count);
      for (const window of this.#writes) frames(window, f, count).set(viewOf(memory, window, count));
      keep(memory, this.#places, places, 3, f, count);
      keep(memory, this.#turns, turns, 4, f, count);
    }
  }

  #own(): void {
    if (this.#kernel.owner === this) return;
    this.#kernel.owner = this;
    const { plan, part, src, targets, out, places = [], turns = [] } = this.#work;
    const lists = workLists(plan, part);
    const layout = new Layout(this.#kernel);
    layOutSource(layout, plan);
    layout.list('srcTurned', lists.srcTurned);
    layout.list('srcPlaced', lists.srcPlaced);
    layOutTarget(layout, plan);
    layout.list('driven', lists.driven);
    layout.list('blended', lists.blended);
    layout.list('isNewBlend', lists.isNewBlend);
    layout.list('before', lists.before);
    layout.list('written', lists.written);
    layout.list('moved', lists.moved);
    layout.list(
      'movedJoints',
      lists.moved.map((m) => plan.translationJoints[m]!),
    );
    layOutTwists(layout, plan);
    layOutLimbs(layout, plan, part);
    this.#places = layout.records('places', places, 3);
    this.#turns = layout.records('turns', turns, 4);

    layout.list('srcMoving', src.translationJoints);
    this.#reads = [
      layout.window('srcRows', src.rotations, src.jointCount * 4),
      layout.window('srcMoves', src.translations, src.translationJoints.length * 3),
    ];
    layout.set('positions', 0);
    if (targets) {
      for (const [name, width] of TARGET_WIDTHS) this.#reads.push(layout.window(name, targets[name], width));
    }
    this.#writes = [];
    layout.set('dstRows', 0);
    if (out) {
      layout.set('dstMovingCount', out.translationJoints.length);
      this.#writes = [
        layout.window('dstRows', out.rotations, out.jointCount * 4),
        layout.window('dstMoves', out.translations, out.translationJoints.length * 3),
      ];
      // Of a frame that is written some joints stay as they are.
      this.#reads.push(...this.#writes);
    }
    layout.finish();
  }
}

const TARGET_WIDTHS = [
  ['positions', 12],
  ['positionWeights', 4],
  ['reaches', 4],
  ['middles', 12],
  ['middleWeights', 4],
  ['rotations', 16],
  ['rotationWeights', 4],
  ['toeRotations', 8],
  ['toeWeights', 2],
  ['rootShifts', 3],
] as const;

function layOutSource(layout: Layout, { source, srcPelvis, srcUndo }: RetargetPlan): void {
  const { jointCount, parents, restTranslations } = source.skeleton;
  layout.set('srcCount', jointCount);
  layout.list('srcParents', parents);
  layout.numbers('srcTranslations', restTranslations);
  layout.numbers('srcRotations', new Float64Array(jointCount * 4));
  layout.numbers('srcPositions', new Float64Array(jointCount * 3));
  layout.numbers('srcLimbEnds', source.alignment.limbEnds);
  layout.list('srcPelvis', srcPelvis);
  layout.numbers('srcUndo', srcUndo);
}

function layOutTarget(layout: Layout, plan: RetargetPlan): void {
  const { target, dstHips, restRotations } = plan;
  const { jointCount, parents } = target.skeleton;
  layout.set('dstCount', jointCount);
  layout.list('dstParents', parents);
  const worldRotations = new Float64Array(jointCount * 4).fill(Number.NaN);
  // Hips that nothing turns stay as they are.
  worldRotations.set(restRotations.subarray(dstHips * 4, dstHips * 4 + 4), dstHips * 4);
  layout.numbers('worldRotations', worldRotations);
  layout.numbers('worldPositions', new Float64Array((jointCount + 4) * 3).fill(Number.NaN));
  for (const name of ['dstHips', 'scale', 'srcGround', 'dstGround'] as const) layout.set(name, plan[name]);
  for (const name of ['driverStarts', 'driverJoints', 'solveParents', 'kinds', 'twistOf'] as const) {
    layout.list(name, plan[name]);
  }
  for (const name of ['driverWeights', 'offsets', 'pelvisOffset', 'restRotations', 'restOffsets'] as const) {
    layout.numbers(name, plan[name]);
  }
}

function layOutTwists(layout: Layout, { twists }: RetargetPlan): void {
  const each = <Key extends keyof TwistPlan>(key: Key): TwistPlan[Key][] => twists.map((twist) => twist[key]);
  const flat = (arrays: Float64Array[]): number[] => arrays.flatMap((array) => [...array]);
  layout.list('twistInner', each('inner'));
  layout.list('twistOuter', each('outer'));
  layout.list('twistCarrier', each('carrier'));
  layout.numbers('twistShare', each('share'));
  layout.numbers('twistUndo', flat(each('undo')));
  layout.numbers('twistAxis', flat(each('axis')));
}

function layOutLimbs(layout: Layout, plan: RetargetPlan, part: RetargetPart): void {
  const { limbs, turnsEnd, below, belowToes } = workLists(plan, part);
  layout.list(
    'limbs',
    limbs.map(({ limb }) => limb),
  );
  for (const name of ['srcUpper', 'srcLower', 'srcEnd', 'dstUpper', 'dstLower', 'dstEnd', 'dstToes'] as const) {
    layout.list(
      name,
      limbs.map((limb) => limb[name]),
    );
  }
  for (const name of ['reach', 'ratio', 'length', 'folded', 'shortest'] as const) {
    layout.numbers(
      name === 'length' ? 'limbLength' : name,
      limbs.map((limb) => limb[name]),
    );
  }
  layout.list('turnsEnd', turnsEnd);
  layout.lists('below', below);
  layout.lists('belowToes', belowToes);
  layout.numbers('limbEnds', plan.target.alignment.limbEnds);
  layout.numbers('hinges', plan.target.alignment.hinges);
}

/** Lays arrays out one behind the other and tells the kernel where they are. They are copied when all of them have a place. */
class Layout {
  readonly #kernel: FrameKernel;
  readonly #fixed: { address: number; values: Int32Array | Float64Array }[] = [];
  #end: number;

  constructor(kernel: FrameKernel) {
    this.#kernel = kernel;
    this.#end = align16(kernel.settings.heapStart!.value);
  }

  set(name: string, value: number): void {
    this.#kernel.settings[name]!.value = value;
  }

  /** Integers; their number is told too, where the kernel asks for it. */
  list(name: string, values: ArrayLike<number>): void {
    this.#fixed.push({ address: this.#reserve(name, values.length * 4), values: Int32Array.from(values) });
    if (`${name}Count` in this.#kernel.settings) this.set(`${name}Count`, values.length);
  }

  /** Lists one behind the other, and where each of them begins. */
  lists(name: string, lists: readonly ArrayLike<number>[]): void {
    const starts = [0];
    for (const list of lists) starts.push(starts.at(-1)! + list.length);
    this.list(
      name,
      lists.flatMap((list) => Array.from(list)),
    );
    this.list(`${name}Starts`, starts);
  }

  numbers(name: string, values: ArrayLike<number>): void {
    this.#fixed.push({ address: this.#reserve(name, values.length * 8), values: Float64Array.from(values) });
  }

  /** Room for some frames of an array. */
  window(name: string, array: Float32Array | Float64Array, width: number): Window {
    return { address: this.#reserve(name, PIECE * width * array.BYTES_PER_ELEMENT), array, width };
  }

  /** Room for what is kept of some joints in some frames. */
  records(name: 'places' | 'turns', records: readonly JointRecord[], width: number): number {
    this.list(
      `${name}Of`,
      records.map(({ joint }) => joint),
    );
    return this.#reserve(name, records.length * PIECE * width * 8);
  }

  finish(): void {
    growTo(this.#kernel.memory, this.#end);
    const { buffer } = this.#kernel.memory;
    for (const { address, values } of this.#fixed) {
      const to =
        values instanceof Int32Array
          ? new Int32Array(buffer, address, values.length)
          : new Float64Array(buffer, address, values.length);
      to.set(values);
    }
  }

  #reserve(name: string, bytes: number): number {
    const address = this.#end;
    this.set(name, address);
    this.#end = align16(address + bytes);
    return address;
  }
}

/** Some frames of an array. */
function frames({ array, width }: Window, first: number, count: number): Float32Array | Float64Array {
  return array.subarray(first * width, (first + count) * width);
}

/** The same number of frames in the memory. */
function viewOf(memory: WebAssembly.Memory, { address, array, width }: Window, count: number) {
  return array instanceof Float32Array
    ? new Float32Array(memory.buffer, address, count * width)
    : new Float64Array(memory.buffer, address, count * width);
}

/** Takes what was kept of joints to where it belongs: a run of `count` frames a joint. */
function keep(
  memory: WebAssembly.Memory,
  address: number,
  records: readonly JointRecord[],
  width: number,
  first: number,
  count: number,
): void {
  records.forEach(({ to }, i) => {
    to.set(new Float64Array(memory.buffer, address + i * count * width * 8, count * width), first * width);
  });
}
