// Each page in a real Chromium: node tests/browser/pages.mjs http://127.0.0.1:PORT [folder for pictures]
// Needs playwright-core and axe-core (npm) and Debian's chromium.
import { chromium } from 'playwright-core';
import { createRequire } from 'node:module';
const require = createRequire(import.meta.url);
const base = process.argv[2].replace(/\/$/, '');
const folder = process.argv[3];
const axe = require.resolve('axe-core/axe.min.js');
const browser = await chromium.launch({ executablePath: process.env.CHROMIUM || '/usr/bin/chromium', args: ['--no-sandbox'] });
const month = new Date().toISOString().slice(0, 7);
const pages = { fleet: '/', unit: '/units/heron-bight/boathouse', visit: '/units/heron-bight/boathouse/visit', sheet: '/units/heron-bight/boathouse/sheet', round: '/round', month: `/months/heron-bight/${month}`, login: '/login' };
const faults = [];
for (const [name, path] of Object.entries(pages)) {
  for (const width of [360, 800, 1400]) {
    for (const look of ['light', 'dark', 'print']) {
      const context = await browser.newContext({ viewport: { width, height: 900 }, colorScheme: look === 'dark' ? 'dark' : 'light', bypassCSP: true });
      const page = await context.newPage();
      if (look === 'print') await page.emulateMedia({ media: 'print' });
      const where = `${name} ${width} ${look}`;
      let bytes = 0;
      page.on('console', (m) => m.type() === 'error' && faults.push(`${where}: console: ${m.text()}`));
      page.on('pageerror', (e) => faults.push(`${where}: ${e}`));
      page.on('request', (r) => { if (!r.url().startsWith(base)) faults.push(`${where}: request to ${r.url()}`); });
      page.on('response', async (r) => { try { bytes += (await r.body()).length; } catch { /* redirects have none */ } });
      const answer = await page.goto(base + path, { waitUntil: 'networkidle' });
      if (answer.status() !== 200) faults.push(`${where}: status ${answer.status()}`);
      const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
      if (wide > 0) faults.push(`${where}: ${wide} px too wide`);
      if (bytes > 300_000) faults.push(`${where}: ${bytes} bytes`);
      if (look !== 'print') {
        await page.addScriptTag({ path: axe });
        const found = await page.evaluate(async () => (await globalThis.axe.run()).violations.filter((v) => ['serious', 'critical'].includes(v.impact)).map((v) => `${v.id}: ${v.nodes.map((n) => n.target).slice(0, 3).join(' | ')}`));
        found.forEach((f) => faults.push(`${where}: axe ${f}`));
      }
      if (folder && (look !== 'dark' || width === 1400)) await page.screenshot({ path: `${folder}/${name}-${width}-${look}.png`, fullPage: width !== 360 || look !== 'print' });
      await context.close();
    }
  }
}
await browser.close();
console.log(faults.length ? faults.join('\n') : `${Object.keys(pages).length} pages, 3 widths, light, dark and print: no fault`);
process.exit(faults.length ? 1 : 0);
