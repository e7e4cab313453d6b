'use strict';
(() => {
  const show = (id, text) => { const e = document.getElementById(id); if (!e) return; e.hidden = text === ''; if (text && text !== true) e.textContent = text; };
  const get = async (url) => { const c = new AbortController(); const t = setTimeout(() => c.abort(), 8000); try { return await fetch(url, { credentials: 'same-origin', signal: c.signal }); } finally { clearTimeout(t); } };

  // What could not be sent waits in this phone, oldest first, and is sent once.
  const KEY = 'fadeline-queue';
  const load = () => { try { return JSON.parse(localStorage.getItem(KEY)) || []; } catch { return []; } };
  const save = (list) => { try { localStorage.setItem(KEY, JSON.stringify(list)); } catch { /* private mode: nothing is kept */ } };
  const say = () => { const n = load().length; show('queue', n ? `${n} ${n === 1 ? 'entry waits' : 'entries wait'} in this phone for the connection. Do not close this page.` : ''); };
  const csrf = () => { const e = document.querySelector('input[name=csrf]'); return e ? e.value : ''; };
  const post = (item) => { const body = new URLSearchParams(item.fields); body.set('csrf', csrf()); return fetch(item.action, { method: 'POST', body, credentials: 'same-origin', headers: { 'X-Queued': 'yes' } }); };
  let sending = false;
  const flush = async () => {
    if (sending) return; sending = true;
    try {
      for (let list = load(); list.length; list = load()) {
        let answer; try { answer = await post(list[0]); } catch { break; }
        if (answer.status >= 500 || answer.status === 429) break;
        save(list.slice(1));
        if (!answer.ok) { alert(`An entry was not taken: ${(await answer.text()).slice(0, 300)}`); continue; }
        if (!load().length) location.assign(answer.url || location.href);
      }
    } finally { sending = false; say(); }
  };
  document.addEventListener('submit', (event) => {
    const form = event.target;
    if (!('queue' in form.dataset)) return;
    event.preventDefault();
    const fields = Object.fromEntries(new FormData(form));
    // The time of the tap, not of the arrival; the same tap sent twice is one entry.
    if (!fields.at) fields.made = new Date().toISOString();
    save([...load(), { action: form.getAttribute('action'), fields }]);
    for (const b of form.querySelectorAll('button')) b.disabled = true;
    say(); flush();
  });
  addEventListener('online', flush); setInterval(flush, 15000); say(); if (load().length) flush();

  // The reading during a visit.
  const live = document.getElementById('live');
  if (live) {
    let step = null;
    const look = async () => {
      try {
        const answer = await get(live.dataset.live);
        if (answer.ok) { live.innerHTML = await answer.text(); show('gone', ''); const s = !!live.querySelector('[data-settled]'); if (step === false && s && !load().length) location.reload(); step = s; } else show('gone', true);
      } catch { show('gone', true); }
    };
    step = !!live.querySelector('[data-settled]'); setInterval(look, 3000);
  } else {
    const look = async () => { try { show('gone', (await get('/health')).ok ? '' : true); } catch { show('gone', true); } };
    setInterval(look, 20000);
  }
  for (const b of document.querySelectorAll('[data-print]')) b.addEventListener('click', () => print());

  // The chart: keys and drag do what the links do.
  const links = [...document.querySelectorAll('.zoom a[data-key]')];
  addEventListener('keydown', (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey || /^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName) || event.target.closest('.scroll')) return;
    const link = links.find((l) => l.dataset.key === event.key); if (link) { event.preventDefault(); location.assign(link.href); }
  });
  const svg = document.querySelector('#chart svg.trend');
  if (svg) {
    const at = (event) => { const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse()); return Math.min(+svg.dataset.right, Math.max(+svg.dataset.left, p.x)); };
    const time = (x) => new Date(+svg.dataset.from + (x - svg.dataset.left) / (svg.dataset.right - svg.dataset.left) * (svg.dataset.to - svg.dataset.from)).toISOString();
    let start = null; let box = null;
    svg.addEventListener('pointerdown', (event) => { if (event.pointerType === 'touch') return; start = at(event); box = document.createElementNS('http://www.w3.org/2000/svg', 'rect'); box.setAttribute('class', 'selected'); box.setAttribute('y', 30); box.setAttribute('height', 286); svg.append(box); });
    addEventListener('pointermove', (event) => { if (start === null) return; const x = at(event); box.setAttribute('x', Math.min(start, x)); box.setAttribute('width', Math.abs(x - start)); });
    addEventListener('pointerup', (event) => { if (start === null) return; const [a, b] = [start, at(event)].sort((p, q) => p - q); box.remove(); start = null; if (b - a > 12) location.assign(`${location.pathname}?from=${time(a)}&to=${time(b)}#light`); });
  }
})();
