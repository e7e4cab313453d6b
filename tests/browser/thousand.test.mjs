// A thousand units: the fleet's page and its filters. Times and sizes are printed, not asserted.
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { gzipSync } from 'node:zlib';
import { ground, launch } from './ground.mjs';

const SITES = 50;
const UNITS = 1000;
const two = (n) => String(n).padStart(2, '0');
let browser;
let daemon;

function fleet() {
    let text = '';
    for (let i = 0; i < SITES; i += 1) {
        text += `[[site]]\nid = "cabin-${two(i)}"\nname = "Cabin ${two(i)}"\ntags = ["${i % 2 ? 'north' : 'south'}"]\n`;
    }
    for (let i = 0; i < UNITS; i += 1) {
        text += `[[unit]]\nsite = "cabin-${two(i % SITES)}"\nunit = "unit-${two(Math.floor(i / SITES))}"\nset_point.intensity = 14.0\n`;
    }
    return text;
}

before(async () => {
    browser = await launch();
    daemon = await ground({ units: fleet() });
});
after(async () => {
    await browser?.close();
    await daemon?.stop();
});

test('a thousand units on a phone and on a wall screen, by site, tag and cause', async (t) => {
    for (const width of [360, 1400]) {
        const context = await browser.newContext({ viewport: { width, height: 900 } });
        const page = await context.newPage();
        const faults = [];
        page.on('pageerror', (error) => faults.push(String(error)));
        const began = performance.now();
        await page.goto(daemon.address);
        t.diagnostic(`${width} px: ${Math.round(performance.now() - began)} ms until loaded`);
        const count = page.locator('p.count');
        const rows = page.locator('table.fleet tbody tr');
        assert.equal(await count.innerText(), '1000 units');
        assert.equal(await rows.count(), UNITS);
        const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
        assert.equal(wide, 0, 'nothing is too wide');
        const show = async (filters, expected) => {
            for (const [name, value] of Object.entries(filters)) await page.getByLabel(name).selectOption(value);
            await page.getByRole('button', { name: 'Show' }).click();
            await page.waitForURL((url) => url.search.length > 1);
            await page.waitForLoadState();
            assert.match(await count.innerText(), new RegExp(`^${expected} units? of 1000$`), JSON.stringify(filters));
            assert.equal(await rows.count(), expected);
        };
        await show({ Site: 'cabin-07' }, UNITS / SITES);
        assert.equal(await rows.filter({ hasText: 'Cabin 07' }).count(), UNITS / SITES);
        await show({ Site: '', Tag: 'north' }, UNITS / 2);
        await show({ Site: 'cabin-08', Tag: 'north' }, 0);
        assert.equal(await page.getByText('Nothing to show with this filter.').count(), 1);
        // Nobody has said anything of them yet, so no cause has units.
        await show({ Site: '', Tag: '', Cause: 'sleeve-fouling' }, 0);
        await page.getByRole('link', { name: 'Show every unit' }).click();
        await page.waitForURL(`${daemon.address}/`);
        assert.equal(await rows.count(), UNITS);
        assert.deepEqual(faults, []);
        await context.close();
    }
    const times = [];
    let body;
    for (let i = 0; i < 11; i += 1) {
        const began = performance.now();
        body = await (await fetch(daemon.address)).text();
        times.push(performance.now() - began);
    }
    times.sort((a, b) => a - b);
    t.diagnostic(`page of 1,000: median ${times[5].toFixed(0)} ms over the wire, ${body.length} bytes, ${gzipSync(body).length} packed`);
});
