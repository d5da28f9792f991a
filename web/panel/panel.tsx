import type { JSX } from 'preact';
import { motion, proof } from '../model/store.ts';
import { type Section, section } from '../model/view.ts';
import { Deliver } from './deliver.tsx';
import { Measured } from './measured.tsx';
import { OptionsPanel } from './options.tsx';
import { PairingPanel } from './pairing.tsx';
import { PosturePanel } from './posture.tsx';
import { ProofPanel } from './proof.tsx';
import { RigPanel } from './rig.tsx';

const SECTIONS: { id: Section; label: string; body: () => JSX.Element | null }[] = [
  { id: 'measured', label: 'Measured', body: Measured },
  { id: 'pairing', label: 'Pairing', body: PairingPanel },
  { id: 'posture', label: 'Posture', body: PosturePanel },
  { id: 'options', label: 'Options', body: OptionsPanel },
  { id: 'proof', label: 'Proof', body: ProofPanel },
  { id: 'rig', label: 'Rig', body: RigPanel },
  { id: 'deliver', label: 'Deliver', body: Deliver },
];

/** A few characters that say how a section stands. */
function badge(id: Section): { text: string; says: string; bad: boolean } | null {
  if (id === 'proof' && proof.value) {
    const { fail, pass } = proof.value.counts;
    return fail > 0
      ? { text: `✕ ${fail}`, says: `${fail} fail`, bad: true }
      : { text: '✓', says: `all ${pass} pass`, bad: false };
  }
  if (id === 'pairing' && motion.value) {
    const unsure = motion.value.pairing.unsure.length;
    const { pairs } = motion.value.pairing;
    return unsure > 0
      ? { text: `? ${unsure}`, says: `${unsure} unsure`, bad: true }
      : { text: '✓', says: `${pairs.length} sure`, bad: false };
  }
  return null;
}

/** The page beside the picture: one matter at a time. */
export function Panel() {
  const shown = SECTIONS.find(({ id }) => id === section.value) ?? SECTIONS[0]!;
  return (
    <aside class="panel" aria-label="Details">
      <nav class="matters" aria-label="Matters">
        {SECTIONS.map(({ id, label }) => {
          const mark = badge(id);
          return (
            <button
              key={id}
              type="button"
              aria-current={id === shown.id ? 'page' : undefined}
              onClick={() => {
                section.value = id;
              }}
            >
              {label}
              {mark && (
                <span class={mark.bad ? 'badge bad' : 'badge'} title={mark.says}>
                  <span aria-hidden="true">{mark.text}</span>
                  <span class="hidden">, {mark.says}</span>
                </span>
              )}
            </button>
          );
        })}
      </nav>
      <div class="matter">
        <shown.body />
      </div>
    </aside>
  );
}
