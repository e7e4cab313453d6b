// Who may: login with an access file, the session's cookie, the word in each form, logout.
import assert from 'node:assert/strict';
import { spawnSync } from 'node:child_process';
import { join } from 'node:path';
import { test } from 'node:test';
import { BINARY, BOATHOUSE, Daemon, SITE, UNIT, phone, stage, unitToml } from './world.mjs';

const COOKIE = 'fadeline-session';
const set = stage(async () => {
    const foreign = unitToml({ site: 'alder-point', unit: 'sauna', name: 'Sauna' });
    const sites = `${SITE}\n[[site]]\nid = "alder-point"\nzone = "Europe/Vienna"\n`;
    const daemon = new Daemon(BOATHOUSE + foreign, { sites, web: 'access_file = "access.toml"' });
    addUser(daemon, 'ana', 'service');
    addUser(daemon, 'ben', 'read');
    return daemon.start();
});
const at = (path) => set.daemon.at(path);

const passwordOf = (name) => `${name}-likes-lake-water`;

function addUser(daemon, name, role) {
    const args = ['access', '--file', join(daemon.folder, 'access.toml'), 'add-user', '--role', role, '--site', 'heron-bight', name];
    const done = spawnSync(BINARY, args, { input: `${passwordOf(name)}\n`, encoding: 'utf8' });
    assert.equal(done.status, 0, done.stderr);
}

const visitor = async () => (await phone(set)).newPage();

async function logIn(page, name, password = passwordOf(name)) {
    await page.getByLabel('Name').fill(name);
    await page.getByLabel('Password').fill(password);
    await page.getByRole('button', { name: 'Log in' }).click();
}

const cookieOf = async (page) => (await page.context().cookies()).find((one) => one.name === COOKIE);
const entries = async (page) => page.locator('ol.log > li').count();

test('a page asks for the login first and then leads on to where one wanted to go', async () => {
    const page = await visitor();
    await page.goto(at(UNIT));
    assert.match(page.url(), /\/login\?to=/);
    assert.equal(await page.getByRole('link', { name: 'Boathouse' }).count(), 0);
    await logIn(page, 'ana', 'wrong');
    await page.getByRole('alert').getByText('Name or password is wrong.').waitFor();
    assert.equal(await cookieOf(page), undefined);
    await logIn(page, 'ana');
    await page.waitForURL(at(UNIT));
    const cookie = await cookieOf(page);
    assert.equal(cookie.httpOnly, true);
    assert.equal(cookie.sameSite, 'Strict');
    assert.equal(cookie.path, '/');
    assert.equal(cookie.expires, -1, 'gone with the browser');
    assert.equal(await page.evaluate(() => document.cookie), '', 'no script reads it');
});

test('nobody is led elsewhere after the login', async () => {
    for (const to of ['//evil.example/', 'https://evil.example/', '/\\evil.example']) {
        const page = await visitor();
        await page.goto(at(`/login?to=${encodeURIComponent(to)}`));
        await logIn(page, 'ana');
        await page.getByRole('heading', { name: 'Units, worst first' }).waitFor();
        assert.equal(new URL(page.url()).origin, set.daemon.address);
    }
});

test('a form without the word of the session is refused, with it taken', async () => {
    const page = await visitor();
    await page.goto(at(UNIT));
    await logIn(page, 'ana');
    await page.waitForURL(at(UNIT));
    const before = await entries(page);
    const post = (csrf) => page.evaluate(async ([path, word]) => {
        const body = new URLSearchParams({ action: 'note', note: 'by a script', by: 'Ana', csrf: word });
        return (await fetch(path, { method: 'POST', body })).status;
    }, [`${UNIT}/log`, csrf]);
    for (const word of ['', 'x', '0'.repeat(64)]) assert.equal(await post(word), 403, `the word ${word}`);
    await page.reload();
    assert.equal(await entries(page), before);
    const word = await page.locator('input[name=csrf]').first().inputValue();
    assert.ok(word.length >= 20);
    assert.equal(await post(word), 200);
    await page.reload();
    assert.equal(await entries(page), before + 1);
});

test('who may only look sees no form and cannot post one; another site is not there', async () => {
    const page = await visitor();
    await page.goto(at(UNIT));
    await logIn(page, 'ben');
    await page.waitForURL(at(UNIT));
    assert.equal(await page.locator('form.record').count(), 0);
    const word = await page.locator('input[name=csrf]').first().inputValue();
    const status = await page.evaluate(async ([path, csrf]) => {
        const body = new URLSearchParams({ action: 'note', note: 'x', csrf });
        return (await fetch(path, { method: 'POST', body })).status;
    }, [`${UNIT}/log`, word]);
    assert.equal(status, 403);
    assert.equal((await page.goto(at('/units/alder-point/sauna'))).status(), 404);
    // In words and with a way back, and no word that it exists.
    assert.match(await page.getByRole('alert').innerText(), /no such site, or it is not yours/);
    assert.equal(await page.getByRole('link', { name: 'Go back' }).count(), 1);
    const program = await page.request.get(at('/units/alder-point/sauna'), { headers: { Accept: '*/*' } });
    assert.match(program.headers()['content-type'], /problem\+json/);
    await page.goto(at('/'));
    assert.equal(await page.getByText(/alder-point|Sauna/).count(), 0);
});

test('after the logout the old cookie opens nothing, and the back button shows nothing that works', async () => {
    const page = await visitor();
    await page.goto(at(UNIT));
    await logIn(page, 'ana');
    await page.waitForURL(at(UNIT));
    const cookie = await cookieOf(page);
    await page.getByRole('button', { name: 'Log out' }).click();
    await page.waitForURL(/\/login/);
    assert.equal(await cookieOf(page), undefined);
    const again = await page.request.get(at(UNIT), { headers: { Cookie: `${COOKIE}=${cookie.value}` }, maxRedirects: 0 });
    assert.ok([302, 303].includes(again.status()), `status ${again.status()}`);
    const api = await page.request.get(at('/api/v1/units'), { headers: { Cookie: `${COOKIE}=${cookie.value}` } });
    assert.equal(api.status(), 401);
    await page.goto(at(UNIT));
    assert.match(page.url(), /\/login/);
});

// Last: it makes the name wait.
test('wrong passwords have to wait, also with the right one', async () => {
    const page = await visitor();
    await page.goto(at('/login'));
    for (let i = 0; i < 6; i += 1) await logIn(page, 'ben', `wrong ${i}`);
    await logIn(page, 'ben');
    await page.getByRole('alert').getByText(/Too many wrong logins. Try again in \d+ s/).waitFor();
    assert.equal(await cookieOf(page), undefined);
});
