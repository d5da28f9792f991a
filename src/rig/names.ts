import type { Finding, FindingPlace } from './finding.ts';
import { finding, jointPlace } from './report.ts';
import type { RigView } from './view.ts';

/** Fewer names with a side than this have no style to keep to. */
const FEWEST_MARKED = 4;
/** A style that fewer than this share of the marked names follow is one of several. */
const RULING_SHARE = 0.6;

/** Sides in names: how they are spelled, whether each has its partner, whether they are true. */
export function checkNames(view: RigView): Finding[] {
  return [...spelling(view), ...partners(view), ...wrongSides(view)];
}

function spelling(view: RigView): Finding[] {
  const { sideMarks } = view.facts;
  const counts = new Map<string, number>();
  for (const mark of sideMarks) if (mark) counts.set(mark.style, (counts.get(mark.style) ?? 0) + 1);
  const total = [...counts.values()].reduce((sum, count) => sum + count, 0);
  const [ruling, most] = [...counts].sort((a, b) => b[1] - a[1])[0] ?? ['', 0];
  if (total < FEWEST_MARKED || most < RULING_SHARE * total) return [];
  const odd: FindingPlace[] = [];
  let isTorn = false;
  sideMarks.forEach((mark, j) => {
    if (!mark || mark.style === ruling) return;
    const partner = partnerOf(view, j);
    const partnerStyle = partner >= 0 ? sideMarks[partner]?.style : undefined;
    if (partnerStyle !== mark.style) isTorn = true;
    odd.push(
      jointPlace(view, [j], 1, partnerStyle === mark.style ? 'its partner is spelled alike' : 'not as its partner'),
    );
  });
  return finding('side-name-style', odd, { value: odd.length, severity: isTorn ? 'warning' : 'note' });
}

/** The partner by place, else by name. */
function partnerOf(view: RigView, j: number): number {
  const partner = view.mirror[j]!;
  if (partner >= 0 && partner !== j) return partner;
  const mark = view.facts.sideMarks[j];
  return mark
    ? view.facts.sideMarks.findIndex((other) => other !== null && other.side !== mark.side && other.stem === mark.stem)
    : -1;
}

function partners(view: RigView): Finding[] {
  const { sideMarks, stems } = view.facts;
  const lonely: FindingPlace[] = [];
  let matters = false;
  const told = new Set<number>();
  sideMarks.forEach((mark, j) => {
    if (!mark || told.has(j)) return;
    const hasNamesake = sideMarks.some(
      (other) => other !== null && other.side !== mark.side && other.stem === mark.stem,
    );
    if (hasNamesake) return;
    const byPlace = view.mirror[j]!;
    const lost = stems.findIndex((stem, i) => sideMarks[i] === null && stem === mark.stem);
    const partner = byPlace >= 0 && byPlace !== j ? byPlace : lost;
    // A slot, a control or a piece of clothing may be on one side only.
    const role = view.roleOf[j];
    if (partner >= 0 || role) matters = true;
    if (partner >= 0) told.add(partner);
    const note = partner >= 0 ? `its partner is called "${view.skeleton.names[partner]}"` : 'alone';
    lonely.push(jointPlace(view, partner >= 0 ? [j, partner] : [j], partner >= 0 || role ? 1 : 0, note));
  });
  // With all names unmarked there is no side to be missed.
  return finding('side-name-partner', lonely, { value: lonely.length, severity: matters ? 'warning' : 'note' });
}

function wrongSides(view: RigView): Finding[] {
  const wrong: FindingPlace[] = [];
  let marked = 0;
  view.roleOf.forEach((role, j) => {
    const mark = view.facts.sideMarks[j];
    const side = role?.startsWith('left') ? 'left' : role?.startsWith('right') ? 'right' : null;
    if (!mark || side === null) return;
    marked++;
    if (mark.side !== side) wrong.push(jointPlace(view, [j], 1, `named ${mark.side}, stands on the ${side}`));
  });
  const all = wrong.length > marked / 2 ? 'left and right are swapped throughout' : null;
  return finding('side-name-wrong', all ? wrong.map((place) => ({ ...place, note: all })) : wrong, {
    value: wrong.length,
  });
}
