import { formatPlace } from '../../src/index.ts';
import type { Fault } from '../worker/protocol.ts';

/** A fault as the command line tells it: place, code, message, and what to do. */
export function FaultBox({ fault, title, close }: { fault: Fault; title: string; close?: () => void }) {
  const place = formatPlace(fault.place);
  return (
    <section class="fault">
      <header>
        <h2>
          <span aria-hidden="true">✕ </span>
          {title}
        </h2>
        {close && (
          <button type="button" class="plain" onClick={close} aria-label="Close this message">
            ✕
          </button>
        )}
      </header>
      <p>
        {place && <b>{place} </b>}
        <code>{fault.code}</code> {fault.message}
      </p>
      {fault.hint && <p class="hint">{fault.hint}</p>}
    </section>
  );
}
