import { spawn } from 'node:child_process';
import { Command, InvalidArgumentError, Option } from 'commander';
import { type CommonOptions, createOutput } from './output.ts';
import { builtApp, filesToServe, serveApp } from './serve.ts';

interface OpenFlags extends CommonOptions {
  port?: number;
  host: string;
  browser: boolean;
}

export function openCommand(): Command {
  return new Command('open')
    .description('Open the browser app, with files or without. It runs until it is stopped (Ctrl C).')
    .argument('[files...]', 'clips and characters to load')
    .addOption(new Option('--port <number>', 'port to serve on (default: a free one)').argParser(parsePort))
    .option('--host <address>', 'interface to serve on; any but this one lets other machines in', '127.0.0.1')
    .option('--no-browser', 'print the address only')
    .addHelpText('after', '\nExample:\n  rigproof open walk.bvh hero.glb')
    .action(open);
}

function parsePort(text: string): number {
  const port = Number(text);
  if (!(Number.isInteger(port) && port > 0 && port < 65_536)) {
    throw new InvalidArgumentError('Expected a number from 1 to 65535.');
  }
  return port;
}

async function open(paths: string[], flags: OpenFlags): Promise<void> {
  const output = createOutput(flags);
  const files = await filesToServe(paths);
  const { url, server } = await serveApp({ folder: builtApp(), files, port: flags.port, host: flags.host });
  output.json({ format: 'rigproof-open', version: 1, url });
  output.text(`The app is at ${url}`);
  output.text('Stop it with Ctrl C.');
  if (flags.browser) openBrowser(url);
  await new Promise((done) => server.once('close', done));
}

/** Asks the system for its browser. Where there is none, the printed address is enough. */
function openBrowser(url: string): void {
  const [command, ...args] = { darwin: ['open', url], win32: ['cmd', '/c', 'start', '', url] }[
    process.platform as string
  ] ?? ['xdg-open', url];
  const child = spawn(command!, args, { stdio: 'ignore', detached: true });
  child.on('error', () => {});
  child.unref();
}
