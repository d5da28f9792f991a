/**
 * Draws sheets of figures at moments into PNG files, to be looked at: rows are figure × view, columns are moments.
 * Uses three's own loaders and nothing of `src` but the types, so that a wrong reader cannot hide a wrong writer.
 *
 *   npx tsx tests/pictures/render.ts --glb out/walk.glb --clip walk.bvh --times 0.5,1,1.5,2,2.5 -o out/pictures/walk.png
 */
import { mkdirSync, readFileSync, writeFileSync } from 'node:fs';
import { basename, dirname, join, resolve } from 'node:path';
import { fileURLToPath } from 'node:url';
import { Command } from 'commander';
import { type Browser, chromium, type Page } from 'playwright-core';
import { build } from 'vite';
import { type Clip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { createWorldPose, type Skeleton } from '../../src/skeleton/skeleton.ts';
import type { FigureJob, SheetJob, View } from './job.ts';

const HERE = dirname(fileURLToPath(import.meta.url));
const DRACO_FOLDER = join(HERE, '../../node_modules/three/examples/jsm/libs/draco/gltf');
/** Answered by this process; nothing leaves the machine. */
const ORIGIN = 'http://pictures.localhost';
const CHROMIUM = process.env.CHROMIUM_PATH ?? '/usr/bin/chromium';
const CHROMIUM_FLAGS = [
  '--no-sandbox',
  '--disable-gpu',
  '--disable-background-networking',
  '--disable-component-update',
  '--disable-sync',
  '--use-angle=swiftshader',
  '--enable-unsafe-swiftshader',
];

type FigureLook = Pick<FigureJob, 'up' | 'animation' | 'timeOffset' | 'floor' | 'left' | 'overlay' | 'meshOpacity'> & {
  label?: string;
};

/** A performer or a character: a file (.bvh, .glb, .gltf, .vrm), its bytes, or a motion in memory. */
export type FigureSource = FigureLook &
  ({ path: string } | { bytes: Uint8Array; kind: 'bvh' | 'gltf' } | { skeleton: Skeleton; clip: Clip });

export interface SheetOptions {
  title: string;
  /** The performer, drawn above the character. */
  source?: FigureSource;
  /** The character: path or bytes of a GLB, or any figure. */
  target?: string | Uint8Array | FigureSource;
  /** Of the character; the first one when left out, the rest pose when null. */
  animation?: string | number | null;
  /** Further figures, below. */
  others?: FigureSource[];
  /** Moments in seconds. */
  frames: number[];
  /** Default front and side; 'side' shows the figure's left. */
  views?: View[];
  /** Where 'front' is; default 'initial': where the figure faces at the first moment. */
  facing?: SheetJob['facing'];
  /** Camera over the horizon; default 7. 0 shows the floor as a line, good for penetration. */
  elevationDegrees?: number;
  cell?: { width: number; height: number };
  /** PNG path; folders are made. */
  out: string;
}

interface Studio {
  browser: Browser;
  page: Page;
  files: Map<string, Buffer>;
}

let studio: Promise<Studio> | null = null;

async function openStudio(): Promise<Studio> {
  const bundle = await build({
    configFile: false,
    logLevel: 'error',
    build: {
      write: false,
      minify: false,
      lib: { entry: join(HERE, 'page.ts'), formats: ['iife'], name: 'pictures', fileName: 'page' },
    },
  });
  const first = Array.isArray(bundle) ? bundle[0]! : bundle;
  if (!('output' in first)) throw new Error('the page script was not bundled');
  const script = first.output[0].code;
  const browser = await chromium.launch({ executablePath: CHROMIUM, args: CHROMIUM_FLAGS });
  const page = await browser.newPage();
  const files = new Map<string, Buffer>();
  await page.route('**/*', (route) => {
    const path = decodeURIComponent(new URL(route.request().url()).pathname);
    if (path === '/')
      return route.fulfill({ contentType: 'text/html', body: '<!doctype html><title>pictures</title>' });
    if (path.startsWith('/draco/')) return route.fulfill({ body: readFileSync(join(DRACO_FOLDER, basename(path))) });
    const body = files.get(path);
    return body ? route.fulfill({ body }) : route.fulfill({ status: 404, body: 'not found' });
  });
  page.on('pageerror', (error) => console.error(`page: ${error.message}`));
  await page.goto(`${ORIGIN}/`);
  await page.addScriptTag({ content: script });
  return { browser, page, files };
}

function isFile(figure: FigureSource): figure is FigureLook & { path: string } {
  return 'path' in figure;
}

function figureJob(figure: FigureSource, index: number, files: Map<string, Buffer>): FigureJob {
  const { label, up, animation, timeOffset, floor, left, overlay, meshOpacity } = figure;
  const look = { up, animation, timeOffset, floor, left, overlay, meshOpacity };
  const base = `/figure${index}`;
  if (isFile(figure)) {
    const name = basename(figure.path);
    const kind = /\.bvh$/i.test(name) ? 'bvh' : 'gltf';
    const url = `${base}/${name}`;
    const bytes = readFileSync(figure.path);
    files.set(url, bytes);
    if (/\.gltf$/i.test(name)) addSideFiles(bytes, dirname(figure.path), base, files);
    return { ...look, kind, url, label: label ?? name };
  }
  if ('bytes' in figure) {
    const url = `${base}/figure.${figure.kind === 'bvh' ? 'bvh' : 'glb'}`;
    files.set(url, Buffer.from(figure.bytes));
    return { ...look, kind: figure.kind, url, label: label ?? 'figure' };
  }
  const { skeleton, clip } = figure;
  const pose = createWorldPose(skeleton.jointCount);
  const local = restLocalPose(skeleton);
  const frames: number[][] = [];
  for (let f = 0; f < clip.frameCount; f++) {
    framePose(skeleton, clip, f, local, pose);
    const row = Array.from(pose.positions);
    for (const tip of skeleton.tips) row.push(...tipPosition(pose, tip.joint, tip.offset));
    frames.push(row);
  }
  const names = [...skeleton.names, ...skeleton.tips.map((tip) => tip.name ?? '')];
  const parents = [...skeleton.parents, ...skeleton.tips.map((tip) => tip.joint)];
  const url = `${base}/positions.json`;
  files.set(url, Buffer.from(JSON.stringify({ names, parents, frameDuration: clip.frameDuration, frames })));
  return { ...look, kind: 'positions', url, label: label ?? clip.name };
}

function tipPosition(
  pose: { rotations: Float64Array; positions: Float64Array },
  joint: number,
  offset: readonly [number, number, number],
): [number, number, number] {
  const [qx, qy, qz, qw] = pose.rotations.subarray(joint * 4, joint * 4 + 4) as unknown as [
    number,
    number,
    number,
    number,
  ];
  const [x, y, z] = offset;
  // v + 2w(q × v) + 2 q × (q × v)
  const tx = 2 * (qy * z - qz * y);
  const ty = 2 * (qz * x - qx * z);
  const tz = 2 * (qx * y - qy * x);
  const at = joint * 3;
  return [
    pose.positions[at]! + x + qw * tx + qy * tz - qz * ty,
    pose.positions[at + 1]! + y + qw * ty + qz * tx - qx * tz,
    pose.positions[at + 2]! + z + qw * tz + qx * ty - qy * tx,
  ];
}

/** Buffers and images that a .gltf keeps beside itself. */
function addSideFiles(gltf: Buffer, folder: string, base: string, files: Map<string, Buffer>): void {
  const json = JSON.parse(gltf.toString('utf8')) as { buffers?: { uri?: string }[]; images?: { uri?: string }[] };
  for (const { uri } of [...(json.buffers ?? []), ...(json.images ?? [])]) {
    if (!uri || uri.startsWith('data:')) continue;
    files.set(`${base}/${uri}`, readFileSync(join(folder, decodeURIComponent(uri))));
  }
}

/**
 * Draws one sheet and writes it. The first call opens the browser, later calls reuse it; end with `closeRenderer()`.
 * Sheets are drawn one after the other.
 */
export async function renderSheet(options: SheetOptions): Promise<void> {
  studio ??= openStudio();
  const { page, files } = await studio;
  const figures: FigureSource[] = [];
  if (options.source) figures.push(options.source);
  const { target, animation } = options;
  if (typeof target === 'string') figures.push({ path: target, animation, overlay: true });
  else if (target instanceof Uint8Array) figures.push({ bytes: target, kind: 'gltf', animation, overlay: true });
  else if (target) figures.push({ animation, ...target });
  figures.push(...(options.others ?? []));
  files.clear();
  const job: SheetJob = {
    title: options.title,
    figures: figures.map((figure, index) => figureJob(figure, index, files)),
    times: options.frames,
    views: options.views ?? ['front', 'side'],
    facing: options.facing ?? 'initial',
    elevationDegrees: options.elevationDegrees ?? 7,
    cellWidth: options.cell?.width ?? 250,
    cellHeight: options.cell?.height ?? 280,
    labelWidth: 26,
  };
  const url = await page.evaluate((sheet) => window.drawSheet(sheet), job);
  const out = resolve(options.out);
  mkdirSync(dirname(out), { recursive: true });
  writeFileSync(out, Buffer.from(url.slice(url.indexOf(',') + 1), 'base64'));
}

export async function closeRenderer(): Promise<void> {
  if (!studio) return;
  const { browser } = await studio;
  studio = null;
  await browser.close();
}

interface Flags {
  glb?: string;
  clip?: string;
  animation?: string;
  rest?: boolean;
  times: string;
  views: string;
  up: string;
  facing: string;
  sourceOffset: string;
  sourceFloor: string;
  elevation: string;
  opacity: string;
  skeleton: boolean;
  left?: string;
  title?: string;
  output: string;
}

function vectorOf(text: string | undefined): [number, number, number] | undefined {
  if (text === undefined) return undefined;
  const [x, y, z] = text.split(',').map(Number);
  if (![x, y, z].every(Number.isFinite)) throw new Error(`--left takes three numbers such as 0,0,-1, not ${text}`);
  return [x!, y!, z!];
}

async function main(argv: string[]): Promise<void> {
  const command = new Command('render')
    .description('Draws a performer (BVH) and a character (GLB) at moments into one PNG.')
    .option('--glb <file>', 'the character: .glb, .gltf or .vrm')
    .option('--clip <file>', 'the performer: .bvh')
    .option('--animation <name>', 'animation of the character, name or index; default the first')
    .option('--rest', 'the character in its rest pose')
    .option('--times <list>', 'moments in seconds', '0,0.5,1,1.5,2')
    .option('--views <list>', 'front, side, back, right, threeQuarter', 'front,side')
    .option('--up <axis>', 'up axis of the clip: y or z', 'y')
    .option('--facing <how>', 'initial, moment or world', 'initial')
    .option('--source-offset <seconds>', 'added to the moments of the performer', '0')
    .option('--source-floor <height>', 'floor of the performer in its own units', '0')
    .option('--elevation <degrees>', 'camera over the horizon', '7')
    .option('--opacity <share>', 'of the mesh under the skeleton', '0.75')
    .option('--no-skeleton', 'the mesh alone')
    .option('--left <x,y,z>', 'left of a character whose joints have no names')
    .option('--title <text>')
    .requiredOption('-o, --output <file>', 'PNG to write')
    .parse(argv);
  const flags = command.opts<Flags>();
  if (!flags.glb && !flags.clip) command.error('give --glb, --clip or both');
  const index = Number(flags.animation);
  const animation = flags.rest ? null : flags.animation && Number.isInteger(index) ? index : flags.animation;
  await renderSheet({
    title:
      flags.title ??
      [flags.clip, flags.glb]
        .filter((f) => f !== undefined)
        .map((f) => basename(f))
        .join(' → '),
    source: flags.clip
      ? {
          path: flags.clip,
          up: flags.up === 'z' ? 'z' : 'y',
          timeOffset: Number(flags.sourceOffset),
          floor: Number(flags.sourceFloor),
        }
      : undefined,
    target: flags.glb
      ? {
          path: flags.glb,
          animation,
          overlay: flags.skeleton,
          meshOpacity: Number(flags.opacity),
          left: vectorOf(flags.left),
        }
      : undefined,
    frames: flags.times.split(',').map(Number),
    views: flags.views.split(',') as View[],
    facing: flags.facing as SheetJob['facing'],
    elevationDegrees: Number(flags.elevation),
    out: flags.output,
  });
  await closeRenderer();
}

if (process.argv[1] === fileURLToPath(import.meta.url)) await main(process.argv);
