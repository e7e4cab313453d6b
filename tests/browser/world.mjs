// What the tests share: a daemon of its own for each file, a sensor, a browser, a phone and the hands that hold it.
import { spawn, spawnSync } from 'node:child_process';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { createServer } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { after, before } from 'node:test';
import { chromium } from 'playwright-core';

export const BINARY = process.env.FADELINE;
if (!BINARY) throw new Error('set FADELINE to the binary, or call tests/browser/run BINARY');
export const MINUTE = 60_000;
export const DAY = 24 * 60 * MINUTE;
export const UNIT = '/units/heron-bight/boathouse';

/** A browser without any of the calls that Chromium makes on its own. */
export function launch() {
    const args = ['--headless', '--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run'];
    const quiet = ['--disable-background-networking', '--disable-component-update', '--disable-sync'];
    return chromium.launch({ executablePath: process.env.CHROMIUM || '/usr/bin/chromium', args: [...args, ...quiet] });
}

/** Ports that nobody listens on. All are held until the last is known: one that was let go could be given out again. */
async function freePorts(count) {
    const listening = () => new Promise((resolve) => {
        const server = createServer().listen(0, '127.0.0.1', () => resolve(server));
    });
    const servers = await Promise.all(Array.from({ length: count }, listening));
    const ports = servers.map((server) => server.address().port);
    await Promise.all(servers.map((server) => new Promise((resolve) => { server.close(resolve); })));
    return ports;
}

/** Asks again until the answer is true, at most `seconds`; what it waited for stands in the error. */
export async function until(what, ask, seconds = 30) {
    const end = Date.now() + 1000 * seconds;
    for (;;) {
        let answer;
        try {
            answer = await ask();
        } catch (error) {
            // A page that is just being left cannot be asked: that is no answer yet.
            if (!/Execution context was destroyed/.test(String(error))) throw error;
        }
        if (answer) return answer;
        if (Date.now() > end) throw new Error(`${what}: not within ${seconds} s`);
        await new Promise((resolve) => setTimeout(resolve, 150));
    }
}

const quoted = (text) => JSON.stringify(text);

/** How long a unit has been watched: its parts were new on the day of its first reading. */
const WATCHED_DAYS = 200;

/** Units as a config has them. */
export function unitToml({ site = 'heron-bight', unit, name, setPoint = 14, reference = 24, installed }) {
    const date = new Date(installed ?? Date.now() - WATCHED_DAYS * DAY).toISOString().slice(0, 10);
    return `
[[unit]]
site = ${quoted(site)}
unit = ${quoted(unit)}
name = ${quoted(name ?? unit)}
water = "lake"
set_point.intensity = ${setPoint.toFixed(1)}
reference.intensity = ${reference.toFixed(1)}
[unit.lamp]
installed = ${date}
hours_at_start = 0
rated_hours = 9000
[unit.sleeve]
installed = ${date}
cleaned = ${date}
[unit.sensor]
installed = ${date}
cleaned = ${date}
`;
}

export const BOATHOUSE = unitToml({ unit: 'boathouse', name: 'Boathouse' });
export const SITE = `
[[site]]
id = "heron-bight"
name = "Heron Bight"
zone = "Europe/Vienna"
tags = ["lake"]
access = "key with the office, gate behind the boathouse"
travel_minutes = 45
`;

/** A daemon with its own folder, broker and pages. */
export class Daemon {
    constructor(units = BOATHOUSE, { sites = SITE, web = '' } = {}) {
        this.folder = mkdtempSync(join(tmpdir(), 'fadeline-browser-'));
        this.config = join(this.folder, 'fadeline.toml');
        Object.assign(this, { units, sites, web, log: '', child: null });
    }

    async writeConfig() {
        const [port, port5, listen] = await freePorts(3);
        this.port ??= port;
        this.port5 ??= port5;
        this.listen ??= listen;
        writeFileSync(this.config, `zone = "Europe/Vienna"
[broker]
embedded = true
listen = "127.0.0.1:${this.port5}"
listen_311 = "127.0.0.1:${this.port}"
[store]
path = ${quoted(join(this.folder, 'data'))}
[web]
listen = "127.0.0.1:${this.listen}"
${this.web}
${this.sites}
${this.units}`);
        return this;
    }

    /** Another command on the same config. */
    command(...args) {
        const done = spawnSync(BINARY, [args[0], '--config', this.config, ...args.slice(1)], { encoding: 'utf8' });
        if (done.status !== 0) throw new Error(`fadeline ${args.join(' ')}: ${done.status} ${done.stdout}${done.stderr}`);
        return done.stdout;
    }

    async start() {
        await this.writeConfig();
        this.log = '';
        this.child = spawn(BINARY, ['watch', '--config', this.config], { stdio: ['ignore', 'pipe', 'pipe'] });
        const keep = (text) => { this.log += text; };
        this.child.stdout.on('data', keep);
        this.child.stderr.on('data', keep);
        this.ended = new Promise((resolve) => this.child.on('exit', resolve));
        this.address = (await until('the pages are on', () => {
            if (this.child.exitCode !== null) throw new Error(`the daemon ended:\n${this.log}`);
            return this.log.match(/the pages are on (http:\/\/[\d.:]+)/);
        }))[1];
        return this;
    }

    /** The address of a page, or of the API. */
    at(path) {
        return this.address + path;
    }

    async ask(path) {
        return (await fetch(this.at(`/api/v1${path}`))).json();
    }

    /** The logbook of the boathouse, oldest first. */
    async logbook(unit = 'heron-bight/boathouse') {
        const answer = await this.ask(`/units/${unit}/logbook`);
        return answer.entries ?? answer.log ?? answer;
    }

    async kill(signal = 'SIGKILL') {
        if (!this.child || this.child.exitCode !== null || this.child.signalCode !== null) return;
        this.child.kill(signal);
        await this.ended;
    }

    async remove() {
        await this.kill();
        rmSync(this.folder, { recursive: true, force: true });
    }

    /** Publishes readings `[[Date, intensity], ...]` as a sensor does: QoS 1, JSON with the reading's own time. */
    publish(readings, unit = 'heron-bight/boathouse') {
        const lines = readings.map(([time, intensity]) => JSON.stringify({ time: new Date(time).toISOString(), intensity }));
        const args = ['-h', '127.0.0.1', '-p', String(this.port), '-q', '1', '-t', `fadeline/in/${unit}`, '-l'];
        const sent = spawnSync('mosquitto_pub', args, { input: `${lines.join('\n')}\n`, encoding: 'utf8' });
        if (sent.status !== 0) throw new Error(`mosquitto_pub: ${sent.stderr}`);
    }

    /** Stores a history from a file, as an owner brings one along. */
    bring(readings, service, unit = 'heron-bight/boathouse') {
        const iso = (time) => new Date(time).toISOString();
        const files = [['readings.csv', 'time,intensity', readings], ['service.csv', 'time,action', service]];
        for (const [name, head, rows] of files) {
            if (!rows.length) continue;
            const path = join(this.folder, name);
            writeFileSync(path, `${head}\n${rows.map(([time, value]) => `${iso(time)},${value}`).join('\n')}\n`);
            this.command('import', '--unit', unit, path);
        }
    }
}

/**
 * The days of an invented unit up to `end`: 24 when new; the lamp loses 0.03 % a day, the sleeve 0.5 %, the window 0.1 %.
 * The sleeve was cleaned after 60 and 120 days, the window wiped after 40 and 100.
 */
export function history(end, days = WATCHED_DAYS) {
    const [sleeve, window] = [[0, 60, 120], [0, 40, 100]];
    const begin = end - days * DAY;
    const readings = [];
    for (let at = begin, i = 0; at < end; at += 60 * MINUTE, i += 1) {
        const day = (at - begin) / DAY;
        const since = (dates) => day - Math.max(...dates.filter((date) => date <= day));
        // A little noise, the same on every run.
        const noise = 0.004 * Math.sin(i * 12.9898) * Math.cos(i * 4.1414);
        const loss = 0.0003 * day + 0.005 * since(sleeve) + 0.001 * since(window);
        readings.push([at, (24 * Math.exp(noise - loss)).toFixed(3)]);
    }
    const done = (dates, action) => dates.slice(1).map((day) => [begin + day * DAY, action]);
    return { readings, service: [...done(sleeve, 'sleeve-cleaned'), ...done(window, 'sensor-cleaned')] };
}

/** A daemon that has judged the history; `level` each minute of the hour before `end`. */
export async function settled(end = Date.now(), { level = 13.7, ...options } = {}) {
    const daemon = new Daemon(options.units, options);
    await daemon.start();
    const { readings, service } = history(end);
    daemon.bring(readings, service);
    const fresh = [];
    for (let minute = 60; minute > 0; minute -= 1) fresh.push([end - minute * MINUTE, level]);
    daemon.publish(fresh);
    await until('the unit is judged', async () => {
        const answer = await fetch(daemon.at('/api/v1/units/heron-bight/boathouse/assessment'));
        return answer.ok && (await answer.json()).loss;
    });
    // What was published may come later than what was imported.
    await until('the last reading is there', async () => {
        const { units } = await (await fetch(daemon.at('/api/v1/units'))).json();
        return units.some(({ reading }) => reading && Date.parse(reading.at) >= Math.floor(end - MINUTE));
    });
    return daemon;
}

/** A browser and a daemon for the tests of a file: both are there before the first and gone after the last. */
export function stage(make = (start) => settled(start)) {
    // A visit lies in the past hour, so that its readings need not be waited for.
    const set = { start: Date.now() - 50 * MINUTE };
    before(async () => {
        set.browser = await launch();
        set.daemon = await make(set.start, set);
    });
    after(async () => {
        await set.browser?.close();
        await set.daemon?.remove();
    });
    return set;
}

/** A technician's phone, in the zone of the site. */
export const phone = ({ browser }, more = {}) => browser.newContext({ viewport: { width: 360, height: 740 }, timezoneId: 'Europe/Vienna', ...more });

/** Confirms every caution of the visit that is before us and writes the name; the form is there to be sent. */
export async function confirmAll(page, by) {
    const form = page.locator('form.steps').first();
    for (const box of await form.getByRole('checkbox').all()) await box.check();
    await form.getByLabel('By').fill(by);
    return form;
}

export async function startVisit(page, form) {
    await form.getByRole('button', { name: 'Start the visit' }).click();
    await page.getByRole('heading', { name: 'Visit under way' }).waitFor();
}

/** The form of one step, unfolded if need be. */
export async function stepForm(page, action) {
    const form = page.locator(`form.steps:has(input[name=action][value="${action}"])`);
    if (!(await form.isVisible())) await page.getByText('Another step').click();
    return form;
}

/** Presses that a step is done. */
export async function mark(page, action) {
    const form = await stepForm(page, action);
    await form.getByLabel('Done and checked').check();
    await form.getByRole('button', { name: /Done/ }).click();
}

export async function endVisit(page) {
    await page.getByLabel(/no leak/).check();
    await page.getByRole('button', { name: 'End the visit' }).click();
    await page.getByRole('heading', { name: /^Visit of/ }).waitFor();
}
