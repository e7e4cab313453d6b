// The README's pictures, from the demo: tests/browser/pictures BINARY. They are written to fixtures/pages/ as WebP.
import { spawn } from 'node:child_process';
import { mkdirSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { BINARY, confirmAll, launch, mark, startVisit, until } from './world.mjs';

const FOLDER = join(dirname(fileURLToPath(import.meta.url)), '../../fixtures/pages');
const BYTES_MOST = 120_000;
const UNIT = '/units/heron-bight/kingfisher';

/** What the window shows, as WebP. */
async function keep(page, name) {
    const session = await page.context().newCDPSession(page);
    const { data } = await session.send('Page.captureScreenshot', { format: 'webp', quality: 75 });
    const bytes = Buffer.from(data, 'base64');
    if (bytes.length > BYTES_MOST) throw new Error(`${name}: ${bytes.length} bytes, more than ${BYTES_MOST}`);
    writeFileSync(join(FOLDER, `${name}.webp`), bytes);
    console.log(`${name}.webp ${bytes.length} bytes`);
}

async function open(browser, options, address) {
    const page = await (await browser.newContext(options)).newPage();
    await page.goto(address);
    return page;
}

/** A step of a visit whose reading has settled. */
async function visit(page) {
    await startVisit(page, await confirmAll(page, 'Maren'));
    await mark(page, 'sensor-cleaned');
    await page.locator('[data-action=sensor-cleaned]').waitFor();
    await until('the reading has settled', async () => page.locator('#live [data-settled]').count(), 240);
    await page.waitForLoadState('networkidle');
    await page.evaluate(() => scrollTo(0, 0));
}

const demo = spawn(BINARY, ['demo'], { stdio: ['ignore', 'pipe', 'inherit'], env: { ...process.env, TERM: 'dumb' } });
const browser = await launch();
try {
    let text = '';
    demo.stdout.on('data', (more) => { text += more; });
    const [, address] = await until('the demo is judged', () => text.match(/Pages\s+(http:\/\/[\d.:]+)/), 180);
    mkdirSync(FOLDER, { recursive: true });
    await keep(await open(browser, { viewport: { width: 1100, height: 800 } }, address), 'fleet');
    await keep(await open(browser, { viewport: { width: 1100, height: 960 } }, address + UNIT), 'unit');
    const phone = await open(browser, { viewport: { width: 360, height: 740 }, deviceScaleFactor: 2 }, `${address}${UNIT}/visit`);
    await visit(phone);
    await keep(phone, 'visit');
} finally {
    await browser.close();
    demo.kill('SIGINT');
}
