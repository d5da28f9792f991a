/**
 * Every humanoid rig × every clip of the shared data through the whole way, written, validated, read back and proved:
 *
 *   npm run matrix [-- --rigs a,b --clips c,d --library --out FOLDER]
 *
 * With --library the clips are those of the motion library (`bvh-library`).
 * Prints a line a pair and a summary; exits 1 when a pair cannot be retargeted or a written file is not valid.
 */
import { existsSync, mkdirSync, readdirSync, readFileSync, writeFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { parseArgs } from 'node:util';
import { type Report, validateBytes } from 'gltf-validator';
import {
  convert,
  createReceiver,
  deliver,
  openCharacter,
  type Performer,
  type Proof,
  parseBvh,
  parseContainer,
  performerFromBvh,
  prove,
  RigproofError,
  readBody,
  rereadCharacter,
  rereadFigure,
  sourceFigure,
} from '../../src/index.ts';

const DATA = fileURLToPath(new URL('../../../shared/data/', import.meta.url));
const { values } = parseArgs({
  options: {
    rigs: { type: 'string' },
    clips: { type: 'string' },
    library: { type: 'boolean', default: false },
    out: { type: 'string' },
  },
});

/** Columns of the table: measure and heading. */
const COLUMNS = [
  ['plant-drift', 'drift p95'],
  ['plant-travel', 'worst'],
  ['penetration', 'below'],
  ['limb-target-feet', 'feet'],
  ['limb-target-hands', 'hands'],
  ['hinge-knee', 'knees'],
  ['hinge-elbow', 'elbows'],
  ['pose-fidelity', 'pose'],
  ['pops', 'pops'],
] as const;

if (!existsSync(DATA)) {
  console.error('The shared data is not here: ../shared/data. Nothing was measured.');
  process.exit(2);
}
const list = (folder: string, pattern: RegExp, wanted: string | undefined): string[] =>
  readdirSync(`${DATA}${folder}`)
    .filter((name) => pattern.test(name) && (wanted === undefined || wanted.split(',').some((w) => name.startsWith(w))))
    .sort();

const clips = values.library ? 'bvh-library' : 'bvh';
const performers: Performer[] = list(clips, /\.bvh$/, values.clips).map((name) => {
  const file = parseBvh(readFileSync(`${DATA}${clips}/${name}`), name);
  return performerFromBvh(name, file.takes[0]!, file.notes);
});
if (values.out) mkdirSync(values.out, { recursive: true });

const failures = new Map<string, number>();
let pairs = 0;
let passes = 0;
let broken = 0;
const worst = new Map<string, number>();
console.log(['rig', 'clip', 'verdict', ...COLUMNS.map(([, heading]) => heading), 'fails'].join('\t'));
for (const rig of list('rigs', /\.(glb|gltf|vrm)$/, values.rigs)) {
  const bytes = readFileSync(`${DATA}rigs/${rig}`);
  const character = await openCharacter(parseContainer(bytes, rig));
  if (!readBody({ ...character, table: character.humanoidTable ?? undefined, declaredMetres: true }).humanoid) {
    console.log(`${rig}\tis no humanoid and is left out`);
    continue;
  }
  const receiver = createReceiver(character);
  const before = await errorsOf(bytes);
  for (const performer of performers) {
    pairs++;
    try {
      const { clip, contacts, unreached } = convert(performer, receiver);
      const written = deliver(receiver, clip, { name: performer.name.replace(/\.bvh$/, '') });
      const after = await errorsOf(written.bytes);
      if (after > before)
        throw new Error(`the validator finds ${after - before} errors that the character did not have`);
      const { character: reread } = await rereadCharacter(receiver, parseContainer(written.bytes, rig));
      const figure = rereadFigure(receiver, reread, reread.animations.length - 1);
      const proof = prove(figure, sourceFigure(performer), { contacts: contacts ?? undefined, unreached });
      report(rig, performer.name, proof);
      if (values.out) {
        writeFileSync(
          `${values.out}/${rig.replace(/\.\w+$/, '')}--${performer.name.replace(/\.bvh$/, '')}.glb`,
          written.bytes,
        );
      }
    } catch (error) {
      broken++;
      console.log(`${rig}\t${performer.name}\tBROKEN\t${error instanceof RigproofError ? error.code : error}`);
    }
  }
}
console.log(`\n${pairs} pairs: ${passes} pass, ${pairs - passes - broken} fail the proof, ${broken} broken`);
for (const [id, count] of [...failures].sort((a, b) => b[1] - a[1])) console.log(`${String(count).padStart(4)}  ${id}`);
console.log('\nworst over all pairs');
for (const [id, value] of worst) console.log(`  ${id}: ${value.toPrecision(3)}`);
process.exit(broken > 0 ? 1 : 0);

function report(rig: string, clip: string, proof: Proof): void {
  const failed = proof.measures.filter((measure) => measure.verdict === 'fail');
  if (failed.length === 0) passes++;
  for (const { id } of failed) failures.set(id, (failures.get(id) ?? 0) + 1);
  const cells = COLUMNS.map(([id]) => {
    const measure = proof.measures.find((m) => m.id === id);
    if (!measure || measure.value === null) return '-';
    worst.set(id, Math.max(worst.get(id) ?? 0, measure.value));
    const isLength = measure.unit === 'leg length';
    return `${(measure.value * (isLength ? 100 : 1)).toFixed(isLength || measure.unit === 'degree' ? 2 : 0)}${measure.verdict === 'fail' ? '!' : ''}`;
  });
  console.log(
    [rig, clip, proof.verdict, ...cells, failed.map(({ id, remedy }) => `${id}${causeIn(remedy)}`).join(' ')].join(
      '\t',
    ),
  );
}

/** What the remedy says of plants, in a word. */
function causeIn(remedy: string | null): string {
  if (remedy?.startsWith('could not be reached')) return '(unreached)';
  return /^In these frames the (pelvis|hips) |leg lengths apart/.test(remedy ?? '') ? '(plants)' : '';
}

async function errorsOf(bytes: Uint8Array): Promise<number> {
  const result: Report = await validateBytes(bytes, { maxIssues: 1000 });
  return result.issues.numErrors;
}
