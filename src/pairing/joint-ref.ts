import type { Skeleton } from '../skeleton/skeleton.ts';

/**
 * How a person refers to one joint of a skeleton: by its name where that is enough; where several joints share it, with
 * as many names above it as it takes (`LeftArm/Hand`); and where even that does not tell them apart, `Hand~2` for the
 * second of them in file order.
 */
export function jointReference(skeleton: Skeleton, joint: number): string {
  let reference = skeleton.names[joint]!;
  for (let j = joint; ; ) {
    const matches = findJoints(skeleton, reference);
    if (matches.length === 1 && matches[0] === joint) return reference;
    j = skeleton.parents[j]!;
    if (j < 0) break;
    reference = `${skeleton.names[j]}/${reference}`;
  }
  const twins = skeleton.names.flatMap((name, j) => (name === skeleton.names[joint] ? [j] : []));
  return `${skeleton.names[joint]}~${twins.indexOf(joint) + 1}`;
}

/** All joints that a reference fits: one if it is clear, none if the skeleton has no such joint. See `jointReference`. */
export function findJoints(skeleton: Skeleton, reference: string): number[] {
  const { names, parents } = skeleton;
  const exact = names.flatMap((name, j) => (name === reference ? [j] : []));
  if (exact.length > 0) return exact;
  const numbered = /^(.*)~(\d+)$/.exec(reference);
  if (numbered) {
    const twins = names.flatMap((name, j) => (name === numbered[1] ? [j] : []));
    const twin = twins[Number(numbered[2]) - 1];
    if (twin !== undefined) return [twin];
  }
  if (!reference.includes('/')) return [];
  // Names may hold a slash themselves, so the path is compared as text, joint by joint upwards.
  return names.flatMap((_, joint) => {
    let path = names[joint]!;
    for (let j = parents[joint]!; j >= 0 && path.length < reference.length; j = parents[j]!) {
      path = `${names[j]}/${path}`;
    }
    return path === reference ? [joint] : [];
  });
}
