// Each page at three widths, light, dark and on paper: no error, no other host, nothing too wide, accessible, small.
// PICTURES=FOLDER keeps pictures of them.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { test } from 'node:test';
import { Daemon, MINUTE, UNIT, stage, until } from './world.mjs';

const AXE = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const PICTURES = process.env.PICTURES;
const BYTES_MOST = 300_000;
const LOOKS = ['light', 'dark', 'print'];
const WIDTHS = [360, 800, 1400];
const month = new Date().toISOString().slice(0, 7);

const set = stage();

/** Loads a page once in a look, then sees it at each width. */
async function faultsOf(name, path, look, status, from) {
    const colorScheme = look === 'dark' ? 'dark' : 'light';
    // The strict content policy would keep the checker out.
    const context = await set.browser.newContext({ viewport: { width: WIDTHS[0], height: 900 }, colorScheme, bypassCSP: true });
    const page = await context.newPage();
    if (look === 'print') await page.emulateMedia({ media: 'print' });
    const faults = [];
    const bodies = [];
    page.on('console', (line) => {
        // The browser itself writes a line about an answer that is no 200.
        if (line.type() === 'error' && !(status !== 200 && /status of/.test(line.text()))) faults.push(`console: ${line.text()}`);
    });
    page.on('pageerror', (error) => faults.push(String(error)));
    page.on('request', (request) => { if (!request.url().startsWith(from)) faults.push(`request to ${request.url()}`); });
    page.on('response', (response) => bodies.push(response.body().then((body) => body.length, () => 0)));
    const answer = await page.goto(from + path, { waitUntil: 'load' });
    if (answer.status() !== status) faults.push(`status ${answer.status()}`);
    const bytes = (await Promise.all(bodies)).reduce((sum, length) => sum + length, 0);
    if (bytes > BYTES_MOST) faults.push(`${bytes} bytes`);
    const fold = (open) => page.evaluate((open) => document.querySelectorAll('details').forEach((one) => { one.open = open; }), open);
    for (const width of WIDTHS) {
        await page.setViewportSize({ width, height: 900 });
        if (PICTURES) await page.screenshot({ path: `${PICTURES}/${name}-${width}-${look}.png`, fullPage: true });
        await fold(true);
        const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
        if (wide > 0) faults.push(`${width}: ${wide} px too wide`);
        // Colours do not hang on the width: dark is looked at on the phone only.
        if (look === 'light' ? width !== 800 : look === 'dark' && width === 360) faults.push(...(await axe(page, width)));
        await fold(false);
    }
    if (PICTURES && look === 'print') await page.pdf({ path: `${PICTURES}/${name}.pdf`, format: 'A4' });
    await context.close();
    return faults.map((fault) => `${name} ${look}: ${fault}`);
}

async function axe(page, width) {
    await page.evaluate(AXE);
    const found = await page.evaluate(async () => (await globalThis.axe.run(document, { resultTypes: ['violations'] })).violations);
    const bad = found.filter((violation) => ['serious', 'critical'].includes(violation.impact));
    return bad.map((b) => `${width}: axe ${b.id}: ${b.nodes.slice(0, 3).map((node) => node.target).join(' | ')}`);
}

async function look(name, path, { status = 200, from = set.daemon.address } = {}) {
    const faults = await Promise.all(LOOKS.map((one) => faultsOf(name, path, one, status, from)));
    assert.deepEqual(faults.flat(), []);
}

const record = (action, minute, note = '') => fetch(set.daemon.at('/api/v1/units/heron-bight/boathouse/logbook'), {
    method: 'POST',
    headers: { 'Content-Type': 'application/json' },
    body: JSON.stringify({ action, time: new Date(set.start + minute * MINUTE).toISOString(), note, by: 'Ana' }),
}).then(async (answer) => assert.ok(answer.ok, await answer.text()));

const PAGES = {
    fleet: '/',
    unit: UNIT,
    'unit-raw': `${UNIT}?days=1&resolution=raw`,
    'visit-before': `${UNIT}/visit`,
    sheet: `${UNIT}/sheet`,
    round: '/round',
    month: `/months/heron-bight/${month}`,
    login: '/login',
};
for (const [name, path] of Object.entries(PAGES)) test(`the page ${name}`, () => look(name, path));

test('the page of an error', () => look('error', '/units/heron-bight/nowhere', { status: 404 }));
test('an address that leads nowhere', () => look('nowhere', '/nowhere', { status: 404 }));

test('the page during a visit and after it', async () => {
    await record('visit-started', 0, 'expected: sensor-cleaned 7.3 (6.6 to 9.0) %, sleeve-cleaned 58.2 (51.1 to 65.3) %');
    await record('sensor-cleaned', 2);
    const level = (minute) => [set.start + minute * MINUTE, 13.84];
    set.daemon.publish([4, 4.5, 5, 5.5].map(level));
    await until('the credit', async () => /\+1\.0/.test(await (await fetch(set.daemon.at(`${UNIT}/visit/live`))).text()));
    await look('visit-during', `${UNIT}/visit`);
    await record('visit-ended', 10, 'light before 13.7, after 13.8 mW/cm2 (+1.0 %)\ntwo O-rings');
    await look('visit-after', `${UNIT}/visit`);
});

test('pages before any reading', async () => {
    const empty = await new Daemon().start();
    try {
        for (const [name, path] of Object.entries(PAGES)) {
            if (name !== 'login') await look(`empty-${name}`, path, { from: empty.address });
        }
    } finally {
        await empty.remove();
    }
});
