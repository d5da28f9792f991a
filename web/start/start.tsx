import { useSignal } from '@preact/signals';
import { SAMPLES, takeSample } from '../model/files.ts';
import { currentClip } from '../model/session.ts';
import { session } from '../model/store.ts';
import { ChooseFiles } from '../parts/choose-files.tsx';

const ABOUT: Record<string, string> = {
  'tamsel.glb': 'Tamsel, tall and long-armed',
  'bodge.glb': 'Bodge, short legs, large head',
  'oriv.glb': 'Oriv, steered by controls',
  'pim.glb': 'Pim, a child of fifteen joints',
  'night-round.bvh': 'Night round: a walk and a greeting',
  'puddle-hop.bvh': 'Puddle hop: a crouch and a jump',
};

/** What is seen before there is a motion and a character. */
export function Start() {
  const clip = useSignal<string>(SAMPLES.clips[0]);
  const character = useSignal<string>(SAMPLES.characters[0]);
  const isBusy = useSignal(false);
  const has = { clip: currentClip(session.value), character: session.value.character };
  const missing = has.character ? 'a motion (.bvh, or a .glb with animations)' : 'a character (.glb, .gltf, .vrm)';
  return (
    <main class="start">
      <section class="start-drop">
        <h2>
          {has.clip || has.character ? 'Now the other half' : 'See motion on your character, and whether the rig holds'}
        </h2>
        <p class="lead">
          {has.clip || has.character ? (
            <>
              <b>{has.character?.name ?? has.clip?.name}</b> is open. Drop {missing} here too.
            </>
          ) : (
            <>
              Drop a motion and a character anywhere on this page. Joints, units, facing and floor are measured; you
              correct what is wrong.
            </>
          )}
        </p>
        <ChooseFiles class="main-button">Choose files …</ChooseFiles>
        <p class="small">Motion: .bvh, or .glb with animations. Character: .glb, .gltf with its .bin, .vrm.</p>
        <p class="small">Your files stay on this machine: this page computes everything itself and talks to no one.</p>
      </section>
      <section class="start-sample">
        <h2>Or take a sample</h2>
        <label>
          <span>Motion</span>
          <select value={clip.value} onChange={({ currentTarget }) => (clip.value = currentTarget.value)}>
            {SAMPLES.clips.map((name) => (
              <option key={name} value={name}>
                {ABOUT[name]}
              </option>
            ))}
          </select>
        </label>
        <label>
          <span>Character</span>
          <select value={character.value} onChange={({ currentTarget }) => (character.value = currentTarget.value)}>
            {SAMPLES.characters.map((name) => (
              <option key={name} value={name}>
                {ABOUT[name]}
              </option>
            ))}
          </select>
        </label>
        <button
          type="button"
          disabled={isBusy.value}
          onClick={async () => {
            isBusy.value = true;
            await takeSample(clip.value, character.value);
            isBusy.value = false;
          }}
        >
          {isBusy.value ? 'Opening …' : 'Play the sample'}
        </button>
      </section>
    </main>
  );
}
