import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import { Header } from './header.tsx';
import { bindKeys } from './keys.ts';
import { takeFileList } from './model/files.ts';
import { isRestoring, job, motion, rejected, trouble } from './model/store.ts';
import { Panel } from './panel/panel.tsx';
import { FaultBox } from './parts/fault-box.tsx';
import { StageView } from './stage/stage-view.tsx';
import { Start } from './start/start.tsx';
import { TimeStrip } from './strip/time-strip.tsx';
import type { Fault } from './worker/protocol.ts';

export function App() {
  const isOver = useSignal(false);
  /** A fault that was read and put aside; a new one shows again. */
  const hidden = useSignal<Fault | null>(null);
  useEffect(() => bindKeys(), []);
  useEffect(() => {
    const over = (event: DragEvent): void => {
      if (!event.dataTransfer?.types.includes('Files')) return;
      event.preventDefault();
      isOver.value = true;
    };
    const leave = (event: DragEvent): void => {
      if (!event.relatedTarget) isOver.value = false;
    };
    const drop = (event: DragEvent): void => {
      event.preventDefault();
      isOver.value = false;
      if (event.dataTransfer) void takeFileList(event.dataTransfer.files);
    };
    addEventListener('dragover', over);
    addEventListener('dragleave', leave);
    addEventListener('drop', drop);
    return () => {
      removeEventListener('dragover', over);
      removeEventListener('dragleave', leave);
      removeEventListener('drop', drop);
    };
  }, [isOver]);

  return (
    <>
      <Header />
      {job.value ? (
        <main class="work">
          <StageView />
          <TimeStrip />
          <Panel />
        </main>
      ) : (
        <Start />
      )}
      <div class="faults" role="alert">
        {trouble.value && trouble.value !== hidden.value && (
          <FaultBox
            close={() => {
              hidden.value = trouble.value;
            }}
            fault={trouble.value}
            title={motion.value ? 'This cannot be done' : 'These two cannot be brought together yet'}
          />
        )}
        {rejected.value.map((fault, i) => (
          <FaultBox
            key={`${fault.code}${i}`}
            fault={fault}
            title="This file was left out"
            close={() => {
              rejected.value = rejected.value.filter((other) => other !== fault);
            }}
          />
        ))}
      </div>
      {isOver.value && (
        <div class="drop-here" aria-hidden="true">
          <p>Let go to open</p>
        </div>
      )}
      {isRestoring.value && <p class="busy-note">Taking up the last session …</p>}
    </>
  );
}
