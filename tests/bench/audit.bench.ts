/**
 * Auditing a rig, against reading its file: the rest pose alone, with the exercise clip, and the mending of its weights.
 * Prints a table; run it alone with `npx vitest bench --run tests/bench/audit.bench.ts`.
 */
import { bench } from 'vitest';
import { auditInput } from '../../src/convert/audit.ts';
import { createDracoDecoder } from '../../src/formats/gltf/draco.ts';
import { readContainerFile } from '../../src/formats/gltf/node.ts';
import { readCharacter } from '../../src/formats/gltf/read-character.ts';
import { auditRig } from '../../src/rig/audit.ts';
import { planMending } from '../../src/rig/mend.ts';
import { HAS_RIGS, RIGS_REASON, rigPath } from '../support/rigs.ts';
import { machine, measure, table } from './measure.ts';

const RIGS = ['man_casual.glb', 'knight.glb', 'astronaut_draco.glb'];

async function report(): Promise<string> {
  const rows: string[][] = [];
  const dracoDecoder = await createDracoDecoder();
  for (const file of RIGS) {
    const read = () => readCharacter(readContainerFile(rigPath(file)), { dracoDecoder });
    const character = read();
    const input = auditInput(character);
    const vertices = input.skins.reduce((sum, { vertexCount }) => sum + vertexCount, 0);
    const measured = await measure(
      [
        { name: 'read the file', work: () => read().skins.length },
        { name: 'pair and align', work: () => auditInput(character).skins.length },
        { name: 'audit the rest pose', work: () => auditRig(input, { exercise: false }).findings.length },
        { name: 'audit with exercise', work: () => auditRig(input).findings.length },
        { name: 'plan the mending', work: () => planMending(input).actions.length },
      ],
      11,
      3,
    );
    const baseline = measured[0]!;
    for (const { name, median, min, sd } of measured)
      rows.push([
        file,
        `${input.skeleton.jointCount}`,
        `${vertices}`,
        name,
        `${median.toFixed(1)} (${min.toFixed(1)}, ${sd.toFixed(1)})`,
        `${(min / baseline.min).toFixed(2)}x`,
      ]);
  }
  const head = ['rig', 'joints', 'vertices', 'row', 'ms: median (min, sd)', 'cost against reading, of minima'];
  return [machine(), table(head, rows)].join('\n');
}

bench.skipIf(!HAS_RIGS)(
  `auditing a rig${RIGS_REASON}`,
  async () => {
    console.log(await report());
  },
  { iterations: 1, time: 0, warmupIterations: 0, warmupTime: 0 },
);
