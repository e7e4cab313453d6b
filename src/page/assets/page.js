// What the pages do beyond links and forms. Every page also works without it, except that a visit then needs a connection.
'use strict';
(() => {
  const byId = (id) => document.getElementById(id);

  function show(id, shown, text) {
    const element = byId(id);
    if (!element) return;
    if (text) element.textContent = text;
    element.hidden = !shown;
  }

  // A daemon that hangs is as good as none: no wait without an end.
  const ask = (url) => fetch(url, { credentials: 'same-origin', signal: AbortSignal.timeout(8000) });

  // ---- Entries wait in this phone until the daemon has taken them ---------------------------------------------------

  const WAITING = 'fadeline-queue';
  const REFUSED = 'fadeline-refused';
  const RETRY_MILLIS = 15000;

  function load(key) {
    try {
      return JSON.parse(localStorage.getItem(key)) || [];
    } catch {
      return [];
    }
  }

  function save(key, list) {
    try {
      localStorage.setItem(key, JSON.stringify(list));
      return true;
    } catch {
      return false; // Private browsing, or no room left.
    }
  }

  const add = (key, item) => save(key, [...load(key), item]);
  // Read again before it is written: another entry may have come meanwhile, also from another tab.
  const remove = (key, id) => save(key, load(key).filter((item) => item.id !== id));

  function sayWaiting(why) {
    const count = load(WAITING).length;
    const entries = count === 1 ? '1 entry waits' : `${count} entries wait`;
    show('queue', count > 0, `${entries} in this phone for the connection and will be sent by itself. ${why || ''}`);
  }

  /** An entry in words: what, when, note. */
  function inWords({ fields }) {
    const deed = { start: 'start of the visit', end: 'end of the visit', pass: `not done: ${fields.action}` };
    const what = deed[fields.do] || fields.action;
    const at = fields.at || new Date(fields.made).toLocaleString();
    return [what, at, fields.value, fields.by, fields.note].filter(Boolean).join(', ');
  }

  /** What the daemon did not take is shown until somebody decides; nothing is dropped silently. */
  function sayRefused() {
    const place = byId('refused');
    if (!place) return;
    const list = load(REFUSED);
    place.hidden = list.length === 0;
    place.replaceChildren(...list.map((item) => {
      const line = document.createElement('div');
      const text = document.createElement('p');
      text.textContent = `Not recorded (${inWords(item)}): ${item.says}`;
      line.append(text, button('Send it again', () => again(item)), ' ', button('Discard it', () => discard(item)));
      return line;
    }));
  }

  function button(label, press) {
    const made = document.createElement('button');
    made.type = 'button';
    made.className = 'quiet';
    made.textContent = label;
    made.addEventListener('click', press);
    return made;
  }

  function discard(item) {
    remove(REFUSED, item.id);
    sayRefused();
  }

  function again(item) {
    add(WAITING, item);
    discard(item);
    send();
  }

  function post({ action, fields }) {
    const body = new URLSearchParams(fields);
    // The word of the session that sends, which may be another than the one in which it was written.
    const token = document.querySelector('input[name=csrf]');
    body.set('csrf', token ? token.value : '');
    const signal = AbortSignal.timeout(20000);
    return fetch(action, { method: 'POST', body, credentials: 'same-origin', headers: { 'X-Queued': 'yes' }, signal });
  }

  /** Why the daemon refused: the sentence of its page, or of its problem document. */
  async function reason(answer) {
    if (/json/.test(answer.headers.get('Content-Type'))) {
      const { detail, title } = await answer.json();
      return detail || title;
    }
    const page = new DOMParser().parseFromString(await answer.text(), 'text/html');
    const says = page.querySelector('p[role=alert]');
    return says ? says.textContent.trim() : `the daemon answered ${answer.status}`;
  }

  const onLogin = (url) => new URL(url, location.href).pathname === '/login';

  let sending = false;
  async function send() {
    if (sending) return;
    sending = true;
    let why = '';
    let taken = null;
    try {
      for (let [item] = load(WAITING); item; [item] = load(WAITING)) {
        let answer;
        try {
          answer = await post(item);
        } catch {
          break;
        }
        if (answer.status >= 500 || answer.status === 429) break;
        if (answer.status === 401 || (answer.redirected && onLogin(answer.url))) {
          why = 'Log in again first.';
          break;
        }
        if (!answer.ok) add(REFUSED, { ...item, says: await reason(answer) });
        else taken = answer.url;
        remove(WAITING, item.id);
      }
    } finally {
      sending = false;
      sayWaiting(why);
      sayRefused();
    }
    if (load(WAITING).length) return;
    // A refused form keeps what was written into it.
    for (const one of document.querySelectorAll('form[data-queue] button')) one.disabled = false;
    if (taken && !load(REFUSED).length) arrive(taken);
  }

  /** Shows the page that the daemon led to, also where only the part behind # would differ. */
  function arrive(url) {
    const to = new URL(url, location.href);
    const same = to.pathname === location.pathname && to.search === location.search;
    if (same) location.reload();
    else location.assign(to);
  }

  document.addEventListener('submit', (event) => {
    const form = event.target;
    if (!('queue' in form.dataset)) return;
    const fields = Object.fromEntries(new FormData(form));
    // The time of the tap, not of the arrival; by it the daemon knows the same tap when it comes twice.
    if (!fields.at) fields.made = new Date().toISOString();
    const id = `${Date.now()}-${Math.random()}`;
    // Where nothing can be kept, the form goes the plain way.
    if (!add(WAITING, { id, action: form.getAttribute('action'), fields })) return;
    event.preventDefault();
    for (const one of form.querySelectorAll('button')) one.disabled = true;
    sayWaiting();
    send();
  });
  addEventListener('online', send);
  // A page out of the browser's memory is as old as its forms.
  addEventListener('pageshow', (event) => event.persisted && location.reload());
  setInterval(() => load(WAITING).length && send(), RETRY_MILLIS);
  sayWaiting();
  sayRefused();
  if (load(WAITING).length && !onLogin(location.href)) send();

  // ---- Is the daemon there; the reading during a visit --------------------------------------------------------------

  const live = byId('live');
  if (live) {
    const isSettled = () => live.querySelector('[data-settled]') !== null;
    let settled = isSettled();
    const look = async () => {
      try {
        const answer = await ask(live.dataset.live);
        show('gone', !answer.ok);
        if (!answer.ok) return;
        const text = await answer.text();
        // Unchanged text is left alone, so that a screen reader does not read it out every time.
        if (text !== live.dataset.text) live.innerHTML = text;
        live.dataset.text = text;
        // What to do next hangs on the level: once it is there the page is made anew, unless somebody is writing.
        const writing = [...document.querySelectorAll('textarea')].some((area) => area.value !== '');
        if (!settled && isSettled() && !writing && !load(WAITING).length) location.reload();
        settled = isSettled();
      } catch {
        show('gone', true);
      }
    };
    setInterval(look, 3000);
  } else {
    // On a wall nobody reloads: what is marked as fresh is taken from the page as it is now.
    const fresh = [...document.querySelectorAll('[data-fresh]')].map((one) => one.id);
    const busy = (one) => one.contains(document.activeElement) || getSelection().type === 'Range';
    const renew = (text) => {
      const page = new DOMParser().parseFromString(text, 'text/html');
      for (const id of fresh) {
        const [old, young] = [byId(id), page.getElementById(id)];
        if (young && !busy(old)) old.replaceWith(document.adoptNode(young));
      }
    };
    const look = async () => {
      try {
        const answer = await ask(fresh.length > 1 ? location.href : '/health');
        show('gone', answer.status >= 500);
        if (fresh.length < 2 || !answer.ok) return;
        // Whoever was logged out is led to the login.
        if (answer.redirected && onLogin(answer.url)) location.reload();
        else renew(await answer.text());
      } catch {
        show('gone', true);
      }
    };
    setInterval(look, 20000);
  }

  for (const one of document.querySelectorAll('[data-print]')) one.addEventListener('click', () => print());

  // ---- The chart: keys and drag do what the links do ----------------------------------------------------------------

  const links = [...document.querySelectorAll('.zoom a[data-key]')];
  addEventListener('keydown', (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    // Keys belong to the field or the scrolled table that has the focus.
    if (event.target.closest?.('input, select, textarea, .scroll')) return;
    const link = links.find((one) => one.dataset.key === event.key);
    if (!link) return;
    event.preventDefault();
    location.assign(link.href);
  });

  const chart = document.querySelector('#chart svg.trend');
  if (chart) {
    const { from, to, left, right } = Object.fromEntries(Object.entries(chart.dataset).map(([k, v]) => [k, +v]));
    const place = (event) => {
      const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(chart.getScreenCTM().inverse());
      return Math.min(right, Math.max(left, point.x));
    };
    const time = (x) => new Date(from + ((x - left) / (right - left)) * (to - from)).toISOString();
    let start = null;
    let box = null;
    chart.addEventListener('pointerdown', (event) => {
      // A finger scrolls the page; it has the links.
      if (event.pointerType === 'touch' || event.button !== 0) return;
      event.preventDefault();
      start = place(event);
      box = document.createElementNS('http://www.w3.org/2000/svg', 'rect');
      box.setAttribute('class', 'selected');
      box.setAttribute('y', 30);
      box.setAttribute('height', 286);
      chart.append(box);
    });
    addEventListener('pointermove', (event) => {
      if (start === null) return;
      const x = place(event);
      box.setAttribute('x', Math.min(start, x));
      box.setAttribute('width', Math.abs(x - start));
    });
    addEventListener('pointerup', (event) => {
      if (start === null) return;
      const [a, b] = [start, place(event)].sort((p, q) => p - q);
      box.remove();
      start = null;
      // Less than that is a click.
      if (b - a > 12) location.assign(`${location.pathname}?from=${time(a)}&to=${time(b)}#light`);
    });
  }
})();
