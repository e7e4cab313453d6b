// The phone loses the connection, the daemon goes away, the unit falls silent; a visit is entered afterwards.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { MINUTE, UNIT, confirmAll, endVisit, mark, phone, settled, stage, startVisit, stepForm, until } from './world.mjs';

const set = stage();
const { start } = set;
const since = async (time) => (await set.daemon.logbook()).filter((entry) => new Date(entry.time) >= time - 1000);
const actions = async (time) => (await since(time)).map((entry) => entry.action);

async function begin(page, by) {
    await page.goto(set.daemon.at(`${UNIT}/visit?again=yes`));
    return confirmAll(page, by);
}

test('what is pressed without a connection waits in the phone and is sent once', async () => {
    const context = await phone(set);
    const page = await context.newPage();
    await page.clock.setSystemTime(new Date(start));
    await startVisit(page, await begin(page, 'Ana'));

    await context.setOffline(true);
    const times = [3, 12, 20].map((minute) => start + minute * MINUTE);
    await page.clock.setSystemTime(new Date(times[0]));
    await mark(page, 'sensor-cleaned');
    const waiting = page.locator('#queue');
    await waiting.getByText(/1 entry waits/).waitFor();
    await page.clock.setSystemTime(new Date(times[1]));
    await mark(page, 'sleeve-cleaned');
    await waiting.getByText(/2 entries wait/).waitFor();
    await page.clock.setSystemTime(new Date(times[2]));
    await page.getByLabel(/no leak/).check();
    await page.getByRole('button', { name: 'End the visit' }).click();
    await waiting.getByText(/3 entries wait/).waitFor();
    assert.deepEqual(await actions(start), ['visit-started']);

    await context.setOffline(false);
    await page.getByRole('heading', { name: /^Visit of/ }).waitFor();
    assert.ok(await waiting.isHidden());
    const log = await since(start);
    assert.deepEqual(log.map((entry) => entry.action), ['visit-started', 'sensor-cleaned', 'sleeve-cleaned', 'visit-ended']);
    // Each stands at the time it was pressed.
    for (const [i, time] of times.entries()) assert.ok(Math.abs(new Date(log[i + 1].time) - time) < MINUTE, log[i + 1].time);
    await context.close();
});

test('an answer that is lost on the way does not make a second entry', async () => {
    const context = await phone(set);
    const page = await context.newPage();
    const began = start + 25 * MINUTE;
    await page.clock.setSystemTime(new Date(began));
    // The daemon gets the request, the phone never hears of it.
    let lost = 0;
    await page.route('**/visit', async (route) => {
        if (route.request().method() !== 'POST' || lost >= 2) return route.continue();
        lost += 1;
        await route.fetch({ maxRedirects: 0 });
        return route.abort('connectionreset');
    });
    await (await begin(page, 'Ben')).getByRole('button', { name: 'Start the visit' }).click();
    await page.locator('#queue').getByText(/1 entry waits/).waitFor();
    await until('the daemon has it', async () => (await actions(began)).length === 1);
    // The phone is closed and opened again: what waits is still there.
    await page.goto(set.daemon.at('/'));
    await until('sent after the page was opened again', async () => !(await page.evaluate(() => JSON.parse(localStorage.getItem('fadeline-queue')).length)));
    await page.goto(set.daemon.at(`${UNIT}/visit`));
    const cleaned = began + 2 * MINUTE;
    await page.clock.setSystemTime(new Date(cleaned));
    lost = 1;
    await mark(page, 'sleeve-cleaned');
    await page.locator('#queue').getByText(/1 entry waits/).waitFor();
    await page.evaluate(() => dispatchEvent(new Event('online')));
    await page.locator('[data-action=sleeve-cleaned]').waitFor();
    assert.deepEqual(await actions(began), ['visit-started', 'sleeve-cleaned']);
    await endVisit(page);
    await context.close();
});

test('a visit without a connection is entered afterwards', async () => {
    const context = await phone(set);
    const page = await context.newPage();
    const began = start + 30 * MINUTE;
    const local = (time) => new Date(time).toLocaleString('sv-SE', { timeZone: 'Europe/Vienna' }).replace(' ', 'T');
    const dated = async (form, time) => {
        await form.getByText('It was at another time').click();
        await form.getByLabel(/^When/).fill(local(time));
    };
    // What the sensor had sent meanwhile: 13.7 in the hour before, 18.0 after the sleeve: +31.4 %.
    set.daemon.publish([4, 4.5, 5, 5.5, 6].map((minute) => [began + minute * MINUTE, 18]));
    const form = await begin(page, 'Cleo');
    await dated(form, began);
    await startVisit(page, form);
    const sleeve = await stepForm(page, 'sleeve-cleaned');
    await dated(sleeve, began + 2 * MINUTE);
    await mark(page, 'sleeve-cleaned');
    const credit = page.locator('[data-action=sleeve-cleaned]');
    await credit.waitFor();
    await until('the credit', async () => /\+31\.4 %/.test((await credit.innerText()).replace(/\s+/g, ' ')));
    const end = page.locator('form.steps:has(input[value=end])');
    await dated(end, began + 8 * MINUTE);
    await end.getByLabel(/no leak/).check();
    await end.getByRole('button', { name: 'End the visit' }).click();
    await page.getByRole('heading', { name: /^Visit of/ }).waitFor();
    const log = await since(began);
    assert.deepEqual(log.map((entry) => entry.action), ['visit-started', 'sleeve-cleaned', 'visit-ended']);
    assert.equal(Math.round((new Date(log[2].time) - began) / MINUTE), 8);
    assert.match(log[2].note, /sleeve-cleaned \+31\.4 %/);
    await context.close();
});

test('a daemon that is gone says so, and that it is back', async () => {
    const context = await phone(set);
    const page = await context.newPage();
    await page.clock.install();
    await page.goto(set.daemon.at('/'));
    assert.ok(await page.locator('#gone').isHidden());
    await set.daemon.kill();
    await page.clock.runFor(21_000);
    await page.locator('#gone').getByText(/does not answer/).waitFor();
    // What was there stays readable, and the banner goes when the daemon is back.
    assert.ok(await page.getByRole('link', { name: 'Boathouse' }).isVisible());
    await set.daemon.start();
    await page.clock.runFor(21_000);
    await page.locator('#gone').waitFor({ state: 'hidden' });
    await context.close();
});

test('a page on the wall follows the readings, and what somebody works in is left alone', async () => {
    const context = await phone(set);
    const page = await context.newPage();
    await page.clock.install();
    await page.goto(set.daemon.at('/'));
    const row = page.locator('table.fleet tbody tr');
    set.daemon.publish([[Date.now(), 9.9]]);
    await until('the unit is short', async () => /9\.9/.test(await (await fetch(set.daemon.at('/'))).text()));
    assert.doesNotMatch(await row.innerText(), /9\.9/);
    await page.clock.runFor(21_000);
    await row.locator('.mark', { hasText: 'short' }).waitFor();
    assert.match(await row.innerText(), /9\.9 mW/);
    await page.getByRole('link', { name: 'Boathouse' }).focus();
    await page.clock.runFor(21_000);
    assert.equal(await page.evaluate(() => document.activeElement.textContent), 'Boathouse');
    await context.close();
});

test('a unit that is silent says so, and how old its reading is', async () => {
    const last = Date.now() - 5 * 60 * MINUTE;
    const quiet = await settled(last);
    try {
        const context = await phone(set);
        const page = await context.newPage();
        await page.goto(quiet.at(UNIT));
        await page.locator('.banner').getByText(/The unit is silent/).waitFor();
        const local = new Date(last - MINUTE).toLocaleString('sv-SE', { timeZone: 'Europe/Vienna' }).slice(0, 16);
        assert.ok((await page.locator('footer').innerText()).includes(`Data as of ${local}`));
        await context.close();
    } finally {
        await quiet.remove();
    }
});
