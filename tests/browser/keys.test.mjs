// With the keyboard alone: skip link, filters, zoom, the logbook's form, a visit.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { MINUTE, UNIT, settled, stage } from './world.mjs';

let page;
const set = stage(async (_, { browser }) => {
    page = await (await browser.newContext({ viewport: { width: 1000, height: 800 } })).newPage();
    return settled(Date.now() - 5 * MINUTE);
});
const at = (path) => set.daemon.at(path);

/** Presses Tab until what has the focus fits; everything in between can be passed. */
async function tabTo(selector, most = 80) {
    for (let i = 0; i < most; i += 1) {
        await page.keyboard.press('Tab');
        const there = await page.evaluate((wanted) => document.activeElement.matches(wanted), selector);
        if (!there) continue;
        // Where the focus is must be seen.
        const seen = await page.evaluate(() => {
            const { width, height } = document.activeElement.getBoundingClientRect();
            const { outlineStyle } = getComputedStyle(document.activeElement);
            return width > 0 && height > 0 && outlineStyle !== 'none';
        });
        assert.ok(seen, `the focus on ${selector} cannot be seen`);
        return;
    }
    throw new Error(`${selector} is not reached within ${most} presses of Tab`);
}

test('skip link and filters', async () => {
    await page.goto(at('/'));
    await tabTo('a.skip', 1);
    await page.keyboard.press('Enter');
    assert.equal(new URL(page.url()).hash, '#main');
    // The next stop lies in the content, not in the head again.
    await page.keyboard.press('Tab');
    assert.ok(await page.evaluate(() => document.activeElement.closest('main') !== null));
    await page.goto(at('/'));
    await tabTo('select[name=cause]');
    await page.keyboard.type('nothing');
    await tabTo('.filters button');
    await page.keyboard.press('Enter');
    await page.waitForURL(/cause=none/);
    await page.getByText('Nothing to show with this filter').waitFor();
    await tabTo('main p a');
    await page.keyboard.press('Enter');
    await page.getByRole('link', { name: 'Boathouse' }).waitFor();
});

test('zoom keys and the table behind the chart', async () => {
    await page.goto(at(UNIT));
    // What is read aloud tells the two `day` apart.
    for (const name of ['last day', 'by the day']) assert.equal(await page.getByRole('link', { name, exact: true }).count(), 1, name);
    const span = async () => page.locator('#chart svg').evaluate((svg) => svg.dataset.to - svg.dataset.from);
    const wide = await span();
    const press = async (key) => Promise.all([page.waitForURL(/from=/), page.waitForEvent('load'), page.keyboard.press(key)]);
    await press('+');
    assert.ok((await span()) < wide, 'closer');
    const close = await page.locator('#chart svg').evaluate((svg) => Number(svg.dataset.from));
    await press('ArrowLeft');
    assert.ok((await page.locator('#chart svg').evaluate((svg) => Number(svg.dataset.from))) < close, 'earlier');
    await press('-');
    // In a field the keys are letters.
    const note = page.locator('form.record textarea');
    await note.focus();
    const before = page.url();
    await page.keyboard.type('+-');
    assert.equal(page.url(), before);
    assert.equal(await note.inputValue(), '+-');
    await page.goto(at(UNIT));
    await tabTo('summary');
    await page.keyboard.press('Enter');
    await tabTo('.scroll');
    assert.ok(await page.getByRole('columnheader', { name: 'Lowest' }).first().isVisible());
});

// The one thing here that takes a mouse; the links beside it do the same.
test('dragging over the chart shows that part of it', async () => {
    await page.goto(at(UNIT));
    const chart = page.locator('#chart svg');
    const { from, to, left, right } = await chart.evaluate((svg) => Object.fromEntries(Object.entries(svg.dataset).map(([k, v]) => [k, Number(v)])));
    const box = await chart.boundingBox();
    const place = (share) => box.x + (box.width * (left + share * (right - left))) / 960;
    await page.mouse.move(place(0.25), box.y + 100);
    await page.mouse.down();
    await page.mouse.move(place(0.5), box.y + 120, { steps: 4 });
    await page.mouse.up();
    await page.waitForURL(/from=/);
    const shown = new URL(page.url()).searchParams;
    const share = (name) => (new Date(shown.get(name)) - from) / (to - from);
    assert.ok(Math.abs(share('from') - 0.25) < 0.01 && Math.abs(share('to') - 0.5) < 0.01, page.url());
});

test('the logbook', async () => {
    await page.goto(at(UNIT));
    await tabTo('form.record select[name=action]');
    await page.keyboard.type('note');
    await tabTo('form.record textarea');
    await page.keyboard.type('by hand');
    await tabTo('form.record button');
    await page.keyboard.press('Enter');
    await page.locator('ol.log').getByText('by hand').waitFor();
});

test('a visit', async () => {
    await page.goto(at(`${UNIT}/visit`));
    for (let i = 0; i < 7; i += 1) {
        await tabTo('input[type=checkbox]');
        await page.keyboard.press('Space');
    }
    await tabTo('input[name=by]');
    await page.keyboard.type('Ana');
    await tabTo('button.big');
    await page.keyboard.press('Enter');
    await page.getByRole('heading', { name: 'Visit under way' }).waitFor();
    await tabTo('.next input[type=checkbox]');
    await page.keyboard.press('Space');
    await tabTo('.next button.big');
    await page.keyboard.press('Enter');
    await page.locator('[data-action=sensor-cleaned]').waitFor();
    await tabTo('input[name=closed]');
    await page.keyboard.press('Space');
    await tabTo('form:has(input[name=closed]) button.big');
    await page.keyboard.press('Enter');
    await page.getByRole('heading', { name: /^Visit of/ }).waitFor();
    assert.match(await page.locator('main .banner').innerText(), /had not settled/);
});
