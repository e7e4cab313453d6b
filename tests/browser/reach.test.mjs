// Without a mouse: on each page Tab comes to everything there is to work with, and one sees where it is.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { Daemon, MINUTE, UNIT, stage, until } from './world.mjs';

const set = stage(async () => {
    const daemon = await new Daemon().start();
    daemon.publish(Array.from({ length: 60 }, (_, i) => [Date.now() - (60 - i) * MINUTE, 18]));
    await until('the readings are stored', async () => /18\.0/.test(await (await fetch(daemon.at(UNIT))).text()));
    return daemon;
});

/** Tabs through a page; what Tab never comes to, and where the focus is not seen. */
async function faultsOf(path) {
    const context = await set.browser.newContext({ viewport: { width: 1000, height: 800 } });
    const page = await context.newPage();
    await page.goto(set.daemon.at(path));
    const total = await page.evaluate(() => {
        for (const fold of document.querySelectorAll('details')) fold.open = true;
        const all = [...document.querySelectorAll('a[href], button, input:not([type=hidden]), select, textarea, summary')];
        const shown = all.filter((one) => one.checkVisibility() && !one.disabled);
        for (const [i, one] of shown.entries()) one.dataset.place = String(i);
        return shown.length;
    });
    assert.ok(total > 3, `${total} things to work with`);
    const reached = new Set();
    const faults = new Set();
    // A date field has seven stops of its own.
    for (let i = 0; i < 8 * total && reached.size < total; i += 1) {
        await page.keyboard.press('Tab');
        const stop = await page.evaluate(() => {
            const one = document.activeElement;
            const { outlineStyle, outlineWidth } = getComputedStyle(one);
            const seen = outlineStyle !== 'none' && parseFloat(outlineWidth) >= 2 && one.getBoundingClientRect().right > 0;
            return { place: one.dataset.place, seen, what: one.outerHTML.slice(0, 100) };
        });
        if (stop.place === undefined) continue;
        reached.add(stop.place);
        if (!stop.seen) faults.add(`the focus is not seen: ${stop.what}`);
    }
    const missed = await page.evaluate((there) => [...document.querySelectorAll('[data-place]')]
        .filter((one) => !there.includes(one.dataset.place)).map((one) => `never reached: ${one.outerHTML.slice(0, 100)}`), [...reached]);
    await context.close();
    return [...faults, ...missed];
}

const month = `/months/heron-bight/${new Date().toISOString().slice(0, 7)}`;
const PAGES = { fleet: '/', unit: UNIT, visit: `${UNIT}/visit`, sheet: `${UNIT}/sheet`, round: '/round', month, error: '/units/heron-bight/nowhere', nowhere: '/nowhere' };
for (const [name, path] of Object.entries(PAGES)) {
    test(`Tab on the page ${name}`, async () => assert.deepEqual(await faultsOf(path), []));
}

test('Tab on the page of a visit under way', async () => {
    const start = await fetch(set.daemon.at(`/api/v1${UNIT}/logbook`), {
        method: 'POST',
        headers: { 'Content-Type': 'application/json' },
        body: JSON.stringify({ action: 'visit-started', time: new Date().toISOString(), by: 'Ana' }),
    });
    assert.ok(start.ok, await start.text());
    assert.deepEqual(await faultsOf(`${UNIT}/visit`), []);
});
