// A thousand units on one page: filters by site, tag and cause. Time and size are printed, not asserted.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { Daemon, MINUTE, history, phone, stage, unitToml, until } from './world.mjs';

const [SITES, UNITS] = [100, 10];
const TAGS = ['north', 'south', 'island'];

const set = stage(async () => {
    const sites = [];
    const units = [];
    for (let site = 0; site < SITES; site += 1) {
        const id = `site-${site}`;
        sites.push(`[[site]]\nid = "${id}"\nname = "Cove ${site}"\nzone = "Europe/Vienna"\ntags = ["${TAGS[site % 3]}"]\n`);
        for (let unit = 0; unit < UNITS; unit += 1) units.push(unitToml({ site: id, unit: `unit-${unit}`, name: `Cabin ${site}-${unit}` }));
    }
    const daemon = await new Daemon(units.join(''), { sites: sites.join('') }).start();
    // One unit has a history and is the one with a cause; some have a reading; most have nothing yet.
    const { readings, service } = history(Date.now() - MINUTE);
    daemon.bring(readings, service, 'site-7/unit-3');
    daemon.publish([[Date.now(), 9]], 'site-8/unit-0');
    await until('it is judged', async () => (await (await fetch(daemon.at('/?cause=sleeve-fouling'))).text()).includes('Cabin 7-3'), 60);
    await until('it is short', async () => (await (await fetch(daemon.at('/'))).text()).includes('9.0'));
    return daemon;
});

test('a thousand units, filtered', async () => {
    const { daemon } = set;
    const context = await phone(set);
    const page = await context.newPage();
    const began = performance.now();
    await page.goto(daemon.at('/'), { waitUntil: 'load' });
    console.log(`# 1,000 units: loaded in ${Math.round(performance.now() - began)} ms`);
    assert.equal(await page.locator('table.fleet tbody tr').count(), SITES * UNITS);
    assert.match(await page.locator('.count').innerText(), /1,?000 units/);
    const first = await page.locator('table.fleet tbody tr').first().innerText();
    assert.match(first, /Cabin (7-3|8-0)/, 'the worst is first');
    // Under the set point no later day of the forecast is named.
    const short = page.locator('table.fleet tbody tr').filter({ hasText: 'Cabin 8-0' });
    assert.match((await short.innerText()).replace(/\s+/g, ' '), /now treatment is not assured/);
    const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
    assert.equal(wide, 0);
    const pick = async (name, label) => {
        await page.goto(daemon.at('/'));
        await page.getByLabel(name).selectOption(label);
        await page.getByRole('button', { name: 'Show' }).click();
        await page.waitForURL(/\?/);
        return page.locator('table.fleet tbody tr').count();
    };
    assert.equal(await pick('Site', 'Cove 42'), UNITS);
    assert.equal(await pick('Tag', 'island'), 33 * UNITS);
    assert.equal(await pick('Cause', { value: 'sleeve-fouling' }), 1);
    await context.close();
});

test('server time and size', async () => {
    const { daemon } = set;
    const times = [];
    let size = 0;
    for (let i = 0; i < 12; i += 1) {
        const began = performance.now();
        const answer = await fetch(daemon.at('/'), { headers: { 'Accept-Encoding': 'gzip' } });
        const text = await answer.text();
        times.push(performance.now() - began);
        size = text.length;
    }
    times.sort((a, b) => a - b);
    console.log(`# fleet page of 1,000 units: median ${times[6].toFixed(0)} ms, fastest ${times[0].toFixed(0)} ms, ${Math.round(size / 1000)} kB before compression`);
    assert.ok(size > 100_000);
});
