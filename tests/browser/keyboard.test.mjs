// Without a mouse: everything is reached with Tab and worked with Enter, Space and the keys of the chart.
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { ground, launch, publish, until } from './ground.mjs';

const MINUTE = 60_000;
const UNIT = '/units/heron-bight/boathouse';
let browser;
let daemon;

const steady = () => {
    const now = Date.now();
    return Array.from({ length: 60 }, (_, i) => JSON.stringify({ time: new Date(now - (60 - i) * MINUTE).toISOString(), intensity: 18 }));
};

before(async () => {
    browser = await launch();
    const unit = (id) => `[[unit]]\nsite = "heron-bight"\nunit = "${id}"\nset_point.intensity = 14.0\n`;
    daemon = await ground({ units: unit('boathouse') + unit('bakery') });
    publish(daemon.mqtt311, 'fadeline/in/heron-bight/boathouse', steady());
    await until('the readings are stored', async () => /18\.0/.test(await (await fetch(daemon.address + UNIT)).text()));
});
after(async () => {
    await browser?.close();
    await daemon?.stop();
});

const desk = async (path) => {
    const page = await (await browser.newContext({ viewport: { width: 1000, height: 800 } })).newPage();
    await page.goto(daemon.address + path);
    return page;
};

/** Presses Tab until `selector` has the focus; fails if the focus is never shown on the way, or never comes there. */
async function tabTo(page, selector) {
    for (let i = 0; i < 200; i += 1) {
        await page.keyboard.press('Tab');
        const seen = await page.evaluate((wanted) => {
            const one = document.activeElement;
            if (!one || one === document.body) return { there: false, shown: true, what: 'the page' };
            const style = getComputedStyle(one);
            const box = one.getBoundingClientRect();
            const shown = style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2 && box.width > 0 && box.right > 0;
            return { there: one.matches(wanted), shown, what: one.outerHTML.slice(0, 120) };
        }, selector);
        assert.ok(seen.shown, `the focus is not seen on ${seen.what}`);
        if (seen.there) return;
    }
    assert.fail(`Tab never comes to ${selector}`);
}

/** What the page has to work with, and what Tab comes to. */
async function unreached(page) {
    const total = await page.evaluate(() => {
        const all = [...document.querySelectorAll('a[href], button, input:not([type=hidden]), select, textarea, summary')];
        const shown = all.filter((one) => one.checkVisibility() && !one.disabled);
        shown.forEach((one, i) => { one.dataset.place = String(i); });
        return shown.length;
    });
    const seen = new Set();
    for (let i = 0; i < total * 3 + 20 && seen.size < total; i += 1) {
        await page.keyboard.press('Tab');
        const place = await page.evaluate(() => document.activeElement?.dataset.place);
        if (place !== undefined) seen.add(place);
    }
    return page.evaluate((reached) => [...document.querySelectorAll('[data-place]')]
        .filter((one) => !reached.includes(one.dataset.place)).map((one) => one.outerHTML.slice(0, 120)), [...seen]);
}

for (const path of ['/', UNIT, `${UNIT}/visit`, `${UNIT}/sheet`, '/round', `/months/heron-bight/${new Date().toISOString().slice(0, 7)}`]) {
    test(`Tab comes to everything on ${path.replace(/\d{4}-\d\d$/, 'the month')}`, async () => {
        const page = await desk(path);
        for (const fold of await page.locator('details').all()) await fold.evaluate((one) => { one.open = true; });
        assert.deepEqual(await unreached(page), []);
        await page.context().close();
    });
}

test('the first Tab offers to skip the navigation', async () => {
    const page = await desk('/');
    await page.keyboard.press('Tab');
    assert.equal(await page.evaluate(() => document.activeElement.textContent), 'Skip to the content');
    await page.keyboard.press('Enter');
    await page.keyboard.press('Tab');
    assert.ok(await page.evaluate(() => document.activeElement.closest('main') !== null), 'the next Tab is in the content');
    await page.context().close();
});

test('a filter is set with keys', async () => {
    const page = await desk('/');
    await tabTo(page, 'select[name=cause]');
    await page.keyboard.press('ArrowDown');
    await tabTo(page, '.filters button');
    await page.keyboard.press('Enter');
    await page.waitForURL(/cause=[a-z]/);
    await page.context().close();
});

test('the chart follows + - and the arrows, but not while somebody writes', async () => {
    const page = await desk(UNIT);
    const span = () => {
        const query = new URL(page.url()).searchParams;
        return [Date.parse(query.get('from')), Date.parse(query.get('to'))];
    };
    const press = async (key) => {
        const from = page.url();
        await page.keyboard.press(key);
        await page.waitForURL((url) => url.href !== from);
        await page.waitForLoadState();
    };
    await press('-');
    const [from, to] = span();
    await press('ArrowLeft');
    const [earlier, end] = span();
    assert.ok(earlier < from && end < to, 'earlier');
    await press('ArrowRight');
    assert.ok(span()[0] > earlier, 'later');
    await press('+');
    const [near, nearEnd] = span();
    assert.ok(nearEnd - near < to - from, 'closer');
    const address = page.url();
    await tabTo(page, 'form.record textarea');
    await page.keyboard.type('a - b + c');
    assert.equal(page.url(), address);
    assert.equal(await page.locator('form.record textarea').inputValue(), 'a - b + c');
    await page.context().close();
});

test('an entry is made with keys', async () => {
    const page = await desk(UNIT);
    await tabTo(page, 'form.record select');
    await page.keyboard.type('note');
    assert.equal(await page.locator('form.record select').inputValue(), 'note');
    await tabTo(page, 'form.record textarea');
    await page.keyboard.type('the lid is stiff');
    await tabTo(page, 'form.record button');
    await page.keyboard.press('Enter');
    await page.locator('ol.log').getByText('the lid is stiff').waitFor();
    await page.context().close();
});

test('a visit is begun, a step marked and the visit ended with keys', async () => {
    const page = await desk(`${UNIT}/visit`);
    const boxes = await page.locator('form.steps').first().getByRole('checkbox').count();
    assert.ok(boxes > 4, `${boxes} cautions`);
    for (let i = 0; i < boxes; i += 1) {
        await tabTo(page, 'form.steps input[type=checkbox]:not(:checked)');
        await page.keyboard.press('Space');
    }
    await tabTo(page, 'form.steps button');
    await page.keyboard.press('Enter');
    await page.getByRole('heading', { name: 'Visit under way' }).waitFor();
    const next = page.locator('section.next');
    const action = await next.locator('input[name=action]').first().inputValue();
    await tabTo(page, 'section.next input[name=checked]');
    await page.keyboard.press('Space');
    await tabTo(page, 'section.next button');
    await page.keyboard.press('Enter');
    await page.locator(`[data-action="${action}"]`).first().waitFor();
    await tabTo(page, 'form:has(input[value=end]) input[type=checkbox]');
    await page.keyboard.press('Space');
    await tabTo(page, 'form:has(input[value=end]) button');
    await page.keyboard.press('Enter');
    await page.getByRole('heading', { name: /^Visit of/ }).waitFor();
    await page.context().close();
});
