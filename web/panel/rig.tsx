import { useEffect } from 'preact/hooks';
import { describePlace, type Finding, formatFindingValue } from '../../src/index.ts';
import { auditRig, isAuditing, playsExercise, rig, rigTrouble } from '../model/rig.ts';
import { job, receiver } from '../model/store.ts';
import { goTo, isPlaying, lit, litVertices, showsRest } from '../model/view.ts';
import { FaultBox } from '../parts/fault-box.tsx';
import { stage } from '../stage/stage-view.tsx';

type Place = Finding['where'][number];

const MARKS = { fault: '✕', warning: '▲', note: '·' } as const;

/** Shows where a finding is: vertices glow, joints light up, the camera looks at them. */
function showPlace({ joints, mesh, vertices, frames }: Place): void {
  isPlaying.value = false;
  lit.value = joints;
  litVertices.value = mesh !== null && vertices.length > 0 ? { mesh, runs: vertices } : null;
  if (frames) {
    playsExercise.value = true;
    goTo(frames[0]);
  } else {
    playsExercise.value = false;
    showsRest.value = true;
  }
  const joint = receiver.value?.skeleton.names.indexOf(joints[0] ?? '') ?? -1;
  if (joint >= 0) requestAnimationFrame(() => requestAnimationFrame(() => stage?.lookAt('target', joint)));
}

/** Faults of the rig itself, before any motion: what was found, what it leads to, and what to do. */
export function RigPanel() {
  const wanted = job.value;
  // The job is what the audit depends on.
  useEffect(() => void auditRig(), [wanted]);
  if (rigTrouble.value) return <FaultBox fault={rigTrouble.value} title="The rig cannot be looked over" />;
  const found = rig.value;
  if (!found) return <p class="quiet">{isAuditing.value ? 'Looking the rig over …' : ''}</p>;
  const { audit, exercise } = found;
  const { fault, warning, note } = audit.counts;
  return (
    <div class="rig">
      <h2 class={audit.sound ? 'verdict' : 'verdict fails'}>
        <span aria-hidden="true">{audit.sound ? '✓' : '✕'} </span>
        {audit.sound ? 'No faults in the rig' : `${fault} ${fault === 1 ? 'fault' : 'faults'} in the rig`}
      </h2>
      <p class="quiet">
        {warning} {warning === 1 ? 'warning' : 'warnings'}, {note} {note === 1 ? 'note' : 'notes'}.
      </p>
      {exercise && (
        <p class="acts">
          <button
            type="button"
            aria-pressed={playsExercise.value}
            onClick={() => {
              playsExercise.value = !playsExercise.value;
              showsRest.value = false;
              goTo(0);
              isPlaying.value = playsExercise.value;
            }}
          >
            Play the exercise clip
          </button>
          {(lit.value.length > 0 || litVertices.value) && (
            <button
              type="button"
              onClick={() => {
                lit.value = [];
                litVertices.value = null;
                showsRest.value = false;
              }}
            >
              Put out the lights
            </button>
          )}
        </p>
      )}
      {audit.findings.map((finding) => (
        <article key={finding.id} class={`failure ${finding.severity}`} data-finding={finding.id}>
          <h3>
            <span aria-hidden="true">{MARKS[finding.severity]} </span>
            <span class="hidden">{finding.severity}: </span>
            {finding.title}
          </h3>
          <p>{finding.meaning}</p>
          <ul class="places">
            {finding.where.slice(0, 4).map((place, i) => (
              <li key={`${finding.id}${i}`}>
                <button type="button" class="place" onClick={() => showPlace(place)}>
                  <span>{describePlace(place)}</span>
                  <span>{formatFindingValue(place.value, finding.unit)}</span>
                </button>
              </li>
            ))}
            {finding.where.length > 4 && <li class="quiet small">and {finding.where.length - 4} more</li>}
          </ul>
          <p class="remedy">{finding.remedy}</p>
        </article>
      ))}
      <Scores />
    </div>
  );
}

function Scores() {
  const scores = rig.value?.audit.scores ?? [];
  return (
    <section class="scores">
      <h3>Of 100</h3>
      <dl>
        {scores.map(({ part, score }) => (
          <div key={part}>
            <dt>{part.replace(/[A-Z]/g, (letter) => ` ${letter.toLowerCase()}`)}</dt>
            <dd>
              <meter min="0" max="100" low={60} high={99} optimum={100} value={score} aria-label={part} /> {score}
            </dd>
          </div>
        ))}
      </dl>
    </section>
  );
}
