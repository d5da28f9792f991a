import { render } from 'preact';
import { App } from './app.tsx';
import { takeServed } from './model/files.ts';
import { restore } from './model/store.ts';
import './styles/base.css';
import './styles/layout.css';
import './styles/panel.css';
import './styles/strip.css';
import './styles/start.css';

render(<App />, document.getElementById('app')!);

// `rigproof open` says so in the address when files wait beside the page.
await restore();
if (new URLSearchParams(location.search).has('files')) {
  // Once: after a reload they are part of the session.
  window.history.replaceState(null, '', location.pathname);
  await takeServed();
}
