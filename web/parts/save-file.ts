import type { Delivered } from '../worker/protocol.ts';

/** Hands a file to the browser as a download. */
export function saveFile({ name, bytes }: Delivered): void {
  const url = URL.createObjectURL(new Blob([bytes], { type: 'application/octet-stream' }));
  const link = document.createElement('a');
  link.href = url;
  link.download = name;
  link.click();
  // The download has to have begun before the address goes away.
  setTimeout(() => URL.revokeObjectURL(url), 10_000);
}
