import {
  failingMeasures,
  formatValue,
  MEASURE_RULES,
  type Measure,
  type Proof,
  remedyOf,
  type Where,
} from '../../src/index.ts';
import { isProving, isSolving, proof, receiver } from '../model/store.ts';
import { goTo, isPlaying, lit, litVertices, showsRest } from '../model/view.ts';
import { stage } from '../stage/stage-view.tsx';

/** Goes to the place: the frame is set, the joint lights up, the camera looks at it. */
export function goToPlace(place: Where): void {
  isPlaying.value = false;
  showsRest.value = false;
  goTo(place.worstFrame);
  lit.value = [place.joint];
  litVertices.value = null;
  const joint = receiver.value?.roles[place.role];
  // The figure has to stand in the new frame before the camera can look at it.
  if (joint !== undefined) requestAnimationFrame(() => requestAnimationFrame(() => stage?.lookAt('target', joint)));
}

/** Every measure with its value and verdict; what fails comes first, with where and what to do. */
export function ProofPanel() {
  const found = proof.value;
  if (!found) return <p class="quiet">{isProving.value ? 'Measuring …' : 'Nothing to prove yet.'}</p>;
  const { counts, measures, figures } = found;
  const leg = figures.target.legLength;
  const failing = failingMeasures(found);
  const passing = measures.filter(({ verdict }) => verdict === 'pass');
  const open = measures.filter(({ verdict }) => verdict === 'not measured');
  return (
    <div class="proof" aria-busy={isProving.value || isSolving.value}>
      <h2 class={counts.fail > 0 ? 'verdict fails' : 'verdict'}>
        <span aria-hidden="true">{counts.fail > 0 ? '✕' : '✓'}</span>{' '}
        {counts.fail > 0
          ? `${counts.fail} of ${counts.pass + counts.fail} measures fail`
          : `All ${counts.pass} measures pass`}
      </h2>
      <p class="quiet">
        Measured on the file as it will be written. {figures.target.frames} frames, leg {leg.toFixed(2)} m.
      </p>
      {failing.map((measure) => (
        <Failure key={measure.id} measure={measure} of={found} />
      ))}
      {passing.length > 0 && (
        <table class="passing">
          <caption class="hidden">Measures that pass</caption>
          <thead>
            <tr>
              <th scope="col">Passes</th>
              <th scope="col">Value</th>
              <th scope="col">At most</th>
            </tr>
          </thead>
          <tbody>
            {passing.map(({ id, value, unit, threshold, meaning }) => (
              <tr key={id} title={meaning} data-measure={id} data-value={value}>
                <th scope="row">
                  <span aria-hidden="true">✓ </span>
                  {MEASURE_RULES[id].title}
                </th>
                <td title={formatValue(value ?? 0, unit, leg)}>{formatValue(value ?? 0, unit)}</td>
                <td>{formatValue(threshold, unit)}</td>
              </tr>
            ))}
          </tbody>
        </table>
      )}
      {open.length > 0 && (
        <details class="open-measures">
          <summary>{open.length} could not be taken</summary>
          <ul>
            {open.map(({ id, notMeasured }) => (
              <li key={id}>
                {MEASURE_RULES[id].title}: {notMeasured}
              </li>
            ))}
          </ul>
        </details>
      )}
      <p class="quiet small">Joint ranges are for animation, not for medical use.</p>
    </div>
  );
}

function Failure({ measure, of }: { measure: Measure; of: Proof }) {
  const { id, value, unit, threshold, meaning, where, remedy } = measure;
  const leg = of.figures.target.legLength;
  return (
    <article class="failure" data-measure={id} data-value={value}>
      <h3>
        <span aria-hidden="true">✕ </span>
        {MEASURE_RULES[id].title}
      </h3>
      <p class="figures">
        <b>{formatValue(value ?? 0, unit, leg)}</b> at most {formatValue(threshold, unit)}
      </p>
      <p>{meaning}</p>
      {where.length > 0 && (
        <ul class="places">
          {where.slice(0, 4).map((place) => (
            <li key={`${place.role}${place.frames[0]}`}>
              <button type="button" class="place" onClick={() => goToPlace(place)}>
                <span>
                  {place.joint} <span class="quiet">{place.role}</span>
                </span>
                <span>
                  frame {place.worstFrame}: {formatValue(place.value, unit)}
                </span>
              </button>
            </li>
          ))}
        </ul>
      )}
      {remedy && <p class="remedy">{remedyOf(measure, of)}</p>}
    </article>
  );
}
