// Bad input: clear, nothing lost, nothing twice.
import assert from 'node:assert/strict';
import { after, before, test } from 'node:test';
import { BOATHOUSE, DAY, MINUTE, UNIT, launch, settled, unitToml, until } from './world.mjs';

let browser;
let daemon;
let start;

before(async () => {
    start = Date.now() - 50 * MINUTE;
    browser = await launch();
    daemon = await settled(start, { units: BOATHOUSE + unitToml({ unit: 'bakery', name: 'Bakery' }) });
});
after(async () => {
    await browser?.close();
    await daemon?.remove();
});

const phone = () => browser.newContext({ viewport: { width: 360, height: 740 }, timezoneId: 'Europe/Vienna' });
const count = async () => (await daemon.logbook()).length;

test('a date in the future is refused with the reason, and the form keeps what was written', async () => {
    const page = await (await phone()).newPage();
    await page.goto(daemon.at(UNIT));
    const entries = await count();
    const form = page.locator('form.record');
    const note = '<b>bold</b> & "quoted" \u{1f9ea} \u202e';
    await form.getByLabel('Action').selectOption('note');
    await form.getByLabel('When').fill(new Date(Date.now() + 2 * DAY).toISOString().slice(0, 16));
    await form.getByRole('textbox', { name: 'Note' }).fill(note);
    await form.getByRole('button', { name: 'Record' }).click();
    const refused = page.locator('#refused');
    await refused.getByText(/future/).waitFor();
    assert.equal(await count(), entries);
    assert.equal(await form.getByRole('textbox', { name: 'Note' }).inputValue(), note);
    assert.ok(await form.getByRole('button', { name: 'Record' }).isEnabled());
    // It stays until somebody decides, also on another page.
    await page.goto(daemon.at('/'));
    await refused.getByText(/future/).waitFor();
    await refused.getByRole('button', { name: 'Discard it' }).click();
    assert.ok(await refused.isHidden());
    // Strange letters are taken as they are and shown as text.
    await page.goto(daemon.at(UNIT));
    await form.getByLabel('Action').selectOption('note');
    await form.getByRole('textbox', { name: 'Note' }).fill(note);
    await form.getByRole('button', { name: 'Record' }).click();
    await page.locator('ol.log').getByText('<b>bold</b>').waitFor();
    assert.equal(await count(), entries + 1);
    await page.context().close();
});

test('forms sent by hand with nonsense are refused with a page that says why', async () => {
    const page = await (await phone()).newPage();
    await page.goto(daemon.at(UNIT));
    const entries = await count();
    const bad = [
        [`${UNIT}/log`, 'action=polish', /polish/],
        [`${UNIT}/log`, 'action=note&at=yesterday', /yesterday.* is not a time/],
        [`${UNIT}/log`, 'action=reference-check&value=a+lot', /a lot.* is not a number/],
        [`${UNIT}/log`, 'action=reference-check&value=NaN', /value|number/i],
        [`${UNIT}/log`, 'action=note&at=2026-13-45T99:99', /is not a time/],
        [`${UNIT}/visit`, 'do=dance', /dance/],
        [`${UNIT}/visit`, 'do=step&action=', /action/],
        [`${UNIT}/visit`, '%ff%fe=1', /.+/],
        ['/units/heron-bight/nowhere/log', 'action=note', /no unit/],
        ['/units/HERON/../../log/log', 'action=note', /.*/],
    ];
    for (const [path, body, says] of bad) {
        const answer = await page.request.post(daemon.at(path), { data: body, headers: { 'Content-Type': 'application/x-www-form-urlencoded' } });
        assert.ok(answer.status() >= 400 && answer.status() < 500, `${path} ${body}: ${answer.status()}`);
        const html = await answer.text();
        const alert = html.match(/role="alert">([^<]*)<\/p>/)?.[1] ?? html;
        assert.match(alert, says, `${path} ${body}`);
    }
    for (const path of [`${UNIT}?days=-5`, `${UNIT}?from=x`, '/months/heron-bight/2026-99', '/round?visit_minutes=-1', '/?site=%3Cscript%3E', '/units/heron-bight/nowhere', '/nowhere']) {
        const answer = await page.request.get(daemon.at(path));
        assert.ok(answer.status() < 500, `${path}: ${answer.status()}`);
        assert.ok(!(await answer.text()).includes('<script>'), path);
    }
    assert.equal(await count(), entries);
    await page.context().close();
});

test('two technicians, double presses and the back button make each entry once', async () => {
    const [ana, ben] = await Promise.all([phone(), phone()].map(async (context) => (await context).newPage()));
    const begin = async (page, by) => {
        const form = page.locator('form.steps').first();
        for (const box of await form.getByRole('checkbox').all()) await box.check();
        await form.getByLabel('By').fill(by);
        return form.getByRole('button', { name: 'Start the visit' });
    };
    const began = Date.now() - 1000;
    // Both have the same page before them; both start.
    for (const page of [ana, ben]) await page.goto(daemon.at(`${UNIT}/visit?again=yes`));
    const buttons = [await begin(ana, 'Ana'), await begin(ben, 'Ben')];
    await buttons[0].dblclick();
    await ana.getByRole('heading', { name: 'Visit under way' }).waitFor();
    await buttons[1].click();
    await ben.getByRole('heading', { name: 'Visit under way' }).waitFor();
    // Both mark the same step, a while apart.
    const mark = async (page, late) => {
        const form = page.locator('form.steps:has(input[value="sensor-cleaned"])');
        if (!(await form.isVisible())) await page.getByText('Another step').click();
        if (late) await page.clock.setSystemTime(new Date(Date.now() + 60_000));
        await form.getByLabel('Done and checked').check();
        await form.getByRole('button', { name: /Done/ }).click();
        await page.waitForTimeout(300);
    };
    await mark(ana, false);
    await ana.locator('[data-action=sensor-cleaned]').waitFor();
    await mark(ben, true);
    await ben.locator('[data-action=sensor-cleaned]').waitFor();
    assert.equal(await ana.locator('[data-action=sensor-cleaned]').count(), 1);
    // Ben ends; Ana, whose page still shows the visit, ends too.
    for (const page of [ben, ana]) {
        await page.getByLabel(/no leak/).check();
        await page.getByRole('button', { name: 'End the visit' }).click();
        await page.getByRole('heading', { name: /^Visit of/ }).waitFor();
    }
    // Back is no old form that could be sent again without being seen to be old.
    await ana.goBack();
    await ana.waitForLoadState();
    const log = (await daemon.logbook()).filter((entry) => new Date(entry.time) >= began);
    assert.deepEqual(log.map((entry) => entry.action), ['visit-started', 'sensor-cleaned', 'visit-ended']);
    for (const page of [ana, ben]) await page.context().close();
});

test('the same form sent twice without the script is one entry', async () => {
    const page = await (await phone()).newPage();
    const body = `action=sleeve-cleaned&at=${encodeURIComponent(new Date(start - DAY).toISOString())}&by=Ana`;
    const entries = await count();
    for (let i = 0; i < 3; i += 1) {
        await page.request.post(daemon.at(`${UNIT}/log`), { data: body, headers: { 'Content-Type': 'application/x-www-form-urlencoded' } });
    }
    assert.equal(await count(), entries + 1);
    await page.context().close();
});

test('a unit that is removed meanwhile loses nothing', async () => {
    const page = await (await phone()).newPage();
    const bakery = '/units/heron-bight/bakery';
    daemon.publish([[Date.now(), 20]], 'heron-bight/bakery');
    await page.goto(daemon.at(bakery));
    const form = page.locator('form.record');
    await form.getByLabel('Action').selectOption('note');
    await form.getByRole('textbox', { name: 'Note' }).fill('door sticks');
    const reload = async (units) => {
        daemon.units = units;
        await daemon.writeConfig();
        daemon.child.kill('SIGHUP');
    };
    await reload(BOATHOUSE);
    await until('the unit is gone', async () => (await fetch(daemon.at(bakery))).status === 404);
    await form.getByRole('button', { name: 'Record' }).click();
    await page.locator('#refused').getByText(/no unit/).waitFor();
    assert.match(await page.locator('#refused').innerText(), /door sticks/);
    // Back in the config, the entry is sent again from the phone.
    await reload(BOATHOUSE + unitToml({ unit: 'bakery', name: 'Bakery' }));
    await until('the unit is back', async () => (await fetch(daemon.at(bakery))).status === 200);
    await page.locator('#refused').getByRole('button', { name: 'Send it again' }).click();
    await page.locator('ol.log').getByText('door sticks').waitFor();
    assert.equal((await daemon.logbook('heron-bight/bakery')).length, 1);
    await page.context().close();
});
