// Bad input: clear, nothing lost, nothing twice.
import assert from 'node:assert/strict';
import { test } from 'node:test';
import { BOATHOUSE, DAY, UNIT, confirmAll, endVisit, mark, phone, settled, stage, startVisit, stepForm, unitToml, until } from './world.mjs';

const BAKERY = unitToml({ unit: 'bakery', name: 'Bakery' });
const set = stage((start) => settled(start, { units: BOATHOUSE + BAKERY }));
const at = (path) => set.daemon.at(path);
const count = async () => (await set.daemon.logbook()).length;

test('a date in the future is refused with the reason, and the form keeps what was written', async () => {
    const page = await (await phone(set)).newPage();
    await page.goto(at(UNIT));
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
    await page.goto(at('/'));
    await refused.getByText(/future/).waitFor();
    await refused.getByRole('button', { name: 'Discard it' }).click();
    assert.ok(await refused.isHidden());
    // Strange letters are taken as they are and shown as text.
    await page.goto(at(UNIT));
    await form.getByLabel('Action').selectOption('note');
    await form.getByRole('textbox', { name: 'Note' }).fill(note);
    await form.getByRole('button', { name: 'Record' }).click();
    await page.locator('ol.log').getByText('<b>bold</b>').waitFor();
    assert.equal(await count(), entries + 1);
    await page.context().close();
});

test('forms sent by hand with nonsense are refused with a page that says why', async () => {
    const page = await (await phone(set)).newPage();
    await page.goto(at(UNIT));
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
        const answer = await page.request.post(at(path), { data: body, headers: { 'Content-Type': 'application/x-www-form-urlencoded' } });
        assert.ok(answer.status() >= 400 && answer.status() < 500, `${path} ${body}: ${answer.status()}`);
        const html = await answer.text();
        const alert = html.match(/role="alert">([^<]*)<\/p>/)?.[1] ?? html;
        assert.match(alert, says, `${path} ${body}`);
    }
    for (const path of [`${UNIT}?days=-5`, `${UNIT}?from=x`, '/months/heron-bight/2026-99', '/round?visit_minutes=-1', '/?site=%3Cscript%3E', '/units/heron-bight/nowhere', '/nowhere']) {
        const answer = await page.request.get(at(path));
        assert.ok(answer.status() < 500, `${path}: ${answer.status()}`);
        assert.ok(!(await answer.text()).includes('<script>'), path);
    }
    assert.equal(await count(), entries);
    await page.context().close();
});

test('two technicians, double presses and the back button make each entry once', async () => {
    const [ana, ben] = await Promise.all([1, 2].map(async () => (await phone(set)).newPage()));
    const began = Date.now() - 1000;
    // Both have the same page before them; both start.
    for (const page of [ana, ben]) await page.goto(at(`${UNIT}/visit?again=yes`));
    const forms = [await confirmAll(ana, 'Ana'), await confirmAll(ben, 'Ben')];
    await forms[0].getByRole('button', { name: 'Start the visit' }).dblclick();
    await ana.getByRole('heading', { name: 'Visit under way' }).waitFor();
    await startVisit(ben, forms[1]);
    // Both mark the same step, a while apart.
    const marked = async (page) => page.locator('[data-action=sensor-cleaned]').waitFor();
    await mark(ana, 'sensor-cleaned');
    await marked(ana);
    await stepForm(ben, 'sensor-cleaned');
    await ben.clock.setSystemTime(new Date(Date.now() + 60_000));
    await mark(ben, 'sensor-cleaned');
    await marked(ben);
    assert.equal(await ana.locator('[data-action=sensor-cleaned]').count(), 1);
    // Ben ends; Ana, whose page still shows the visit, ends too.
    for (const page of [ben, ana]) await endVisit(page);
    // Back is no old form that could be sent again without being seen to be old.
    await ana.goBack();
    await ana.waitForLoadState();
    const log = (await set.daemon.logbook()).filter((entry) => new Date(entry.time) >= began);
    assert.deepEqual(log.map((entry) => entry.action), ['visit-started', 'sensor-cleaned', 'visit-ended']);
    for (const page of [ana, ben]) await page.context().close();
});

test('the same form sent twice without the script is one entry', async () => {
    const page = await (await phone(set)).newPage();
    const body = `action=sleeve-cleaned&at=${encodeURIComponent(new Date(set.start - DAY).toISOString())}&by=Ana`;
    const entries = await count();
    for (let i = 0; i < 3; i += 1) {
        await page.request.post(at(`${UNIT}/log`), { data: body, headers: { 'Content-Type': 'application/x-www-form-urlencoded' } });
    }
    assert.equal(await count(), entries + 1);
    await page.context().close();
});

test('a unit that is removed meanwhile loses nothing', async () => {
    const page = await (await phone(set)).newPage();
    const bakery = '/units/heron-bight/bakery';
    set.daemon.publish([[Date.now(), 20]], 'heron-bight/bakery');
    await page.goto(at(bakery));
    const form = page.locator('form.record');
    await form.getByLabel('Action').selectOption('note');
    await form.getByRole('textbox', { name: 'Note' }).fill('door sticks');
    const reload = async (units) => {
        set.daemon.units = units;
        await set.daemon.writeConfig();
        set.daemon.child.kill('SIGHUP');
    };
    await reload(BOATHOUSE);
    await until('the unit is gone', async () => (await fetch(at(bakery))).status === 404);
    await form.getByRole('button', { name: 'Record' }).click();
    await page.locator('#refused').getByText(/no unit/).waitFor();
    assert.match(await page.locator('#refused').innerText(), /door sticks/);
    // Back in the config, the entry is sent again from the phone.
    await reload(BOATHOUSE + BAKERY);
    await until('the unit is back', async () => (await fetch(at(bakery))).status === 200);
    await page.locator('#refused').getByRole('button', { name: 'Send it again' }).click();
    await page.locator('ol.log').getByText('door sticks').waitFor();
    assert.equal((await set.daemon.logbook('heron-bight/bakery')).length, 1);
    await page.context().close();
});
