import { Command } from 'commander';
import { describeInspection, inspectFigure } from '../inspect.ts';
import { frameOptions } from './body-options.ts';
import { constraintsFrom, type FrameFlags, mappingOption, readMapping } from './constraints.ts';
import { openFigure } from './figure.ts';
import { type CommonOptions, createOutput } from './output.ts';

interface InspectFlags extends CommonOptions, FrameFlags {
  mapping?: string;
  joints?: boolean;
}

export function inspectCommand(): Command {
  const command = new Command('inspect')
    .description(
      'Show what is in a clip or a character: joints and their roles, axes, unit, height, rest pose, motion.',
    )
    .argument('<file>', 'a .bvh clip, or a .glb, .gltf or .vrm character')
    .addOption(mappingOption('--mapping <file>', 'roles fixed by hand'))
    .option('--joints', 'list every joint as a tree')
    .addHelpText('after', '\nExample:\n  rigproof inspect walk.bvh\n  rigproof inspect hero.glb --json');
  for (const option of frameOptions()) command.addOption(option);
  return command.action(inspect);
}

async function inspect(path: string, flags: InspectFlags): Promise<void> {
  const output = createOutput(flags);
  const mapping = flags.mapping ? await readMapping(flags.mapping) : undefined;
  const figure = await openFigure(path, (skeleton) => constraintsFrom(mapping, 'either', skeleton, flags));
  const { skeleton, body } = figure;
  const inspection = inspectFigure(figure);
  output.json(inspection);
  output.text(output.bold(path));
  for (const line of describeInspection(inspection, { sure: output.good, unsure: output.bad, quiet: output.dim }))
    output.text(line);
  if (flags.joints) {
    output.text();
    output.text('  Joints');
    for (const line of jointTree(skeleton.names, skeleton.parents, body.roles)) output.text(line);
  }
  for (const note of inspection.warnings) output.note({ ...note, place: note.place ?? undefined });
}

function jointTree(
  names: readonly string[],
  parents: Int16Array,
  roles: { [role: string]: number | undefined },
): string[] {
  const roleOf = new Map(Object.entries(roles).map(([role, joint]) => [joint, role]));
  const depth: number[] = [];
  return names.map((name, j) => {
    depth[j] = parents[j]! < 0 ? 0 : depth[parents[j]!]! + 1;
    const role = roleOf.get(j);
    return `    ${'  '.repeat(depth[j])}${name}${role ? `  = ${role}` : ''}`;
  });
}
