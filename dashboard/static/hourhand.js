// One small module: live panels by server-sent events, and charts on demand. Pages work without it.

const FRESH_MS = 2000;              // at most one reading of the page in this time
const AGE_MS = 60_000;              // "4 min ago" grows old without any news
const say = document.getElementById('say');
const main = document.querySelector('main');

// --- live: on news, read this page again and swap the parts that changed -------------------------

const about = main?.dataset.live;   // "all", or the id of one unit; absent: nothing live here
let source, last = 0, waiting, after = main?.dataset.change;

function listen() {
  if (source || !about || document.hidden) return;
  source = new EventSource(`/events?after=${after}`);
  source.onerror = () => {           // refused for good: too many pages are open, or the session ended
    if (source?.readyState === EventSource.CLOSED) { hush(); setTimeout(listen, AGE_MS); }
  };
  source.onmessage = (news) => {
    after = news.lastEventId || after;
    const { units } = JSON.parse(news.data);
    if (about === 'all' || !units || units.includes(about)) soon();
  };
}

function hush() {
  source?.close();
  source = undefined;
}

function soon() {
  if (waiting) return;
  waiting = setTimeout(refresh, Math.max(0, last + FRESH_MS - performance.now()));
}

async function refresh() {
  last = performance.now();
  try {
    const answer = await fetch(location.href, { headers: { accept: 'text/html' } });
    if (answer.redirected || answer.status === 401) location.reload(); // the session ended
    else if (answer.ok) swap(new DOMParser().parseFromString(await answer.text(), 'text/html'));
  } catch { /* the next news tries again */ } finally { waiting = undefined; }
}

function swap(page) {
  const known = new Set([...document.querySelectorAll('[data-act-now]')].map((e) => e.dataset.actNow));
  for (const old of document.querySelectorAll('[data-part]')) {
    const fresh = page.getElementById(old.id);
    if (!fresh) continue;
    keepOpen(old, fresh);
    if (fresh.isEqualNode(old)) continue;
    const held = old.contains(document.activeElement) && document.activeElement.getAttribute('href');
    old.replaceWith(fresh);
    if (held) fresh.querySelector(`[href="${CSS.escape(held)}"]`)?.focus({ preventScroll: true });
  }
  const news = [...document.querySelectorAll('[data-act-now]')].filter((e) => !known.has(e.dataset.actNow));
  if (news.length) say.textContent = news.map((e) => e.dataset.say).join(' ');
}

function keepOpen(old, fresh) {
  for (const box of old.querySelectorAll('details[id][open]')) {
    const same = fresh.querySelector(`#${CSS.escape(box.id)}`);
    if (same) same.open = true;
  }
}

document.addEventListener('visibilitychange', () => {
  if (document.hidden) hush();
  else { if (about) soon(); listen(); }
});
addEventListener('pagehide', hush);
if (about) setInterval(() => { if (!document.hidden) soon(); }, AGE_MS);
listen();

// --- later sections: folded on a phone, open at a desk -------------------------------------------

const desk = matchMedia('(min-width:40.01rem)');
const unfold = () => { for (const box of document.querySelectorAll('details.later')) box.open = desk.matches; };
if (desk.matches) unfold();
desk.addEventListener('change', unfold);

// --- explore: the plotting library comes when asked for, or near the screen on a wide one --------

const box = document.querySelector('[data-chart]');

function theme(figure) {
  const probe = document.createElement('span');
  document.body.append(probe);
  const inks = Object.fromEntries(Object.entries(figure.layout.meta.inks).map(([ink, token]) => {
    probe.style.color = `var(${token})`;
    return [ink, getComputedStyle(probe).color];
  }));
  probe.remove();
  const paint = (node) => {
    for (const [key, value] of Object.entries(node)) {
      if (typeof value === 'string' && inks[value]) node[key] = inks[value];
      else if (value && typeof value === 'object' && key !== 'meta' && key !== 'x' && key !== 'y') paint(value);
    }
  };
  paint(figure);
  return figure;
}

async function figure(query) {
  const address = new URL(box.dataset.chart, location.href);
  for (const [name, value] of Object.entries(query)) address.searchParams.set(name, value);
  address.searchParams.set('points', String(Math.min(1500, Math.max(200, Math.round(canvas.clientWidth)))));
  const answer = await fetch(address);
  const body = await answer.json();
  if (!answer.ok) throw new Error(body.detail);
  return theme(body);
}

let Plotly, canvas, asked = 0;

async function draw(query) {
  const mine = ++asked;
  const note = box.querySelector('.note');
  note.textContent = 'Loading…';
  try {
    const [drawn] = await Promise.all([figure(query), Plotly ?? library()]);
    if (mine !== asked) return;
    await Plotly.react(canvas, drawn.data, drawn.layout, { displaylogo: false, responsive: true, displayModeBar: false });
    note.textContent = drawn.data.length ? 'Drag sideways to look closer, tap twice to go back.' : 'No readings in this time.';
  } catch (fault) {
    note.textContent = `The chart could not be drawn: ${fault.message}`;
  }
}

function library() {
  return new Promise((done, failed) => {
    const script = document.createElement('script');
    script.src = box.dataset.library;
    script.onload = () => { Plotly = window.Plotly; done(Plotly); };
    script.onerror = () => failed(new Error('the plotting library did not come'));
    document.head.append(script);
  });
}

async function open(button) {
  box.querySelector('.start').hidden = true;
  box.querySelector('.spans').hidden = false;
  canvas.hidden = false;
  await draw({ days: button?.dataset.days ?? '30' });
  canvas.on?.('plotly_relayout', (move) => {
    const from = move['xaxis.range[0]'], to = move['xaxis.range[1]'];
    if (from && to) draw({ from, to });
    else if (move['xaxis.autorange']) box.querySelector('[aria-pressed=true]')?.click();
  });
}

if (box) {
  canvas = box.querySelector('.canvas');
  const start = box.querySelector('.start');
  start.hidden = false;
  start.querySelector('button').addEventListener('click', () => open());
  for (const button of box.querySelectorAll('.spans button')) {
    button.addEventListener('click', () => {
      for (const other of box.querySelectorAll('.spans button')) other.setAttribute('aria-pressed', String(other === button));
      draw({ days: button.dataset.days });
    });
  }
  if (matchMedia('(min-width:62rem)').matches && 'IntersectionObserver' in window) {
    const near = new IntersectionObserver((seen) => {
      if (seen.some((entry) => entry.isIntersecting)) { near.disconnect(); if (!start.hidden) open(); }
    }, { rootMargin: '200px' });
    near.observe(box);
  }
}
