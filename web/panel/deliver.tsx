import { useSignal } from '@preact/signals';
import { client, job, proof, rejected, WorkerFault } from '../model/store.ts';
import { saveFile } from '../parts/save-file.ts';
import type { DeliverForm } from '../worker/protocol.ts';
import { Clips } from './clips.tsx';

const FORMS: { form: DeliverForm; title: string; about: string }[] = [
  { form: 'glb', title: 'Character with the animation', about: '.glb; everything else in your file stays as it was' },
  { form: 'animation-only', title: 'Animation alone', about: '.glb of joints and motion, without meshes' },
  { form: 'bvh', title: 'BVH', about: 'on the character’s skeleton' },
  { form: 'vrma', title: 'VRM animation', about: 'VRMC_vrm_animation 1.0, for any VRM character' },
  { form: 'mapping', title: 'Mapping', about: 'who is paired with whom, for the command line and the next clip' },
  { form: 'sheet', title: 'Proof sheet', about: 'one .html with pictures and curves' },
];

/** Every file that can be taken away; each is made when it is asked for. */
export function Deliver() {
  const busy = useSignal<DeliverForm | null>(null);
  const wanted = job.value;
  if (!wanted) return null;
  const save = async (form: DeliverForm): Promise<void> => {
    busy.value = form;
    try {
      const { file } = await client.ask({ type: 'deliver', job: wanted, form }, 'delivered');
      saveFile(file);
    } catch (error) {
      if (!(error instanceof WorkerFault)) throw error;
      rejected.value = [error.fault];
    } finally {
      busy.value = null;
    }
  };
  const fails = proof.value?.counts.fail ?? 0;
  return (
    <>
      <section class="deliver">
        <h2>Take it away</h2>
        {fails > 0 && (
          <p class="quiet">
            <span aria-hidden="true">✕ </span>
            {fails} {fails === 1 ? 'measure fails' : 'measures fail'}; the files can be taken all the same.
          </p>
        )}
        <ul class="forms">
          {FORMS.map(({ form, title, about }) => (
            <li key={form}>
              <button type="button" disabled={busy.value !== null} data-form={form} onClick={() => void save(form)}>
                <b>{busy.value === form ? 'Writing …' : title}</b>
                <span>{about}</span>
              </button>
            </li>
          ))}
        </ul>
      </section>
      <Clips />
    </>
  );
}
