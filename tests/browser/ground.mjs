// A daemon of its own for a test that needs no history, and a browser.
import { spawn, spawnSync } from 'node:child_process';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { createServer } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { chromium } from 'playwright-core';

const BINARY = process.env.FADELINE;
if (!BINARY) throw new Error('set FADELINE to the binary, or call tests/browser/run BINARY');
const STOP_SECONDS = 30;

/** A browser without any of the calls that Chromium makes on its own. */
export function launch() {
    const args = ['--headless', '--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run'];
    args.push('--disable-background-networking', '--disable-component-update', '--disable-sync');
    return chromium.launch({ executablePath: process.env.CHROMIUM || '/usr/bin/chromium', args });
}

/** Asks again until the answer is true; what it waited for stands in the error. */
export async function until(what, ask, seconds = 60) {
    const end = Date.now() + 1000 * seconds;
    for (;;) {
        const answer = await ask();
        if (answer) return answer;
        if (Date.now() > end) throw new Error(`${what}: not within ${seconds} s`);
        await new Promise((resolve) => { setTimeout(resolve, 100); });
    }
}

function freePort() {
    return new Promise((resolve, reject) => {
        const server = createServer().on('error', reject).listen(0, '127.0.0.1', () => {
            const { port } = server.address();
            server.close(() => resolve(port));
        });
    });
}

/** Starts a daemon. `units`: TOML; `web`: more lines of its [web] table; `prepare`: called with its folder before. */
export async function ground({ units, web = '', prepare = () => {} }) {
    const folder = mkdtempSync(join(tmpdir(), 'fadeline-browser-'));
    prepare(folder);
    const [mqtt, mqtt311, port] = [await freePort(), await freePort(), await freePort()];
    const config = join(folder, 'fadeline.toml');
    writeFileSync(config, `zone = "Europe/Vienna"
[broker]
embedded = true
listen = "127.0.0.1:${mqtt}"
listen_311 = "127.0.0.1:${mqtt311}"
[store]
path = "data"
[web]
listen = "127.0.0.1:${port}"
${web}
${units}`);
    const child = spawn(BINARY, ['watch', '--config', config], { stdio: ['ignore', 'pipe', 'pipe'] });
    let log = '';
    for (const stream of [child.stdout, child.stderr]) stream.on('data', (text) => { log += text; });
    const ended = new Promise((resolve) => { child.on('exit', resolve); });
    const address = `http://127.0.0.1:${port}`;
    const stop = async () => {
        child.kill('SIGTERM');
        const late = setTimeout(() => child.kill('SIGKILL'), 1000 * STOP_SECONDS);
        await ended;
        clearTimeout(late);
        rmSync(folder, { recursive: true, force: true });
    };
    try {
        await until('the daemon answers', async () => {
            if (child.exitCode !== null) throw new Error(`the daemon ended:\n${log}`);
            return fetch(`${address}/health`).then((answer) => answer.ok, () => false);
        });
    } catch (error) {
        await stop();
        throw error;
    }
    return { address, folder, mqtt311, stop };
}

/** Another command of the binary; its output. */
export function command(args, input = '') {
    const done = spawnSync(BINARY, args, { input, encoding: 'utf8' });
    if (done.status !== 0) throw new Error(`fadeline ${args.join(' ')}: ${done.status} ${done.stdout}${done.stderr}`);
    return done.stdout;
}

/** Publishes each line as one message with QoS 1. */
export function publish(port, topic, lines) {
    const args = ['-h', '127.0.0.1', '-p', String(port), '-q', '1', '-t', topic, '-l'];
    const sent = spawnSync('mosquitto_pub', args, { input: `${lines.join('\n')}\n`, encoding: 'utf8' });
    if (sent.error || sent.status !== 0) throw new Error(`mosquitto_pub: ${sent.error ?? sent.stderr}`);
}
