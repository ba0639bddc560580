// The review page: plain script, no library. Data reaches the page as text nodes and canvas pixels only.
'use strict';
const $ = (id) => document.getElementById(id);
const token = location.hash.slice(1);
let run = null;            // what /api/start gave
let shown = [];            // findings that pass the filters
let current = null;        // finding on view
let sights = [];           // its frames
let sight = 0;             // the frame on view
let outlines = [];         // of that frame
let probe = null;          // [x, y] in the frame's pixels
let view = { zoom: 1, low: null, high: null, colours: 'inferno', outlines: true };
let matrix = null;         // frame pixels to canvas pixels
let lastWarning = '';
const frames = new Map();  // name -> {width, height, t}; the last few, so that memory stays flat
const MAX_FRAMES = 14;
const details = new Map(); // finding -> sights
const REASONS = ['Reflection or sun in the glass', 'Dirt, droppings or shade, no fault', 'Outline or place is wrong',
  'Within what neighbours show', 'Known and repaired already', 'Not on a module'];
const SIGNS = { grave: '▲', marked: '◆', slight: '●', sound: '○' };

async function call(path, body) {
  const options = { headers: { 'x-review-token': token }, cache: 'no-store' };
  if (body !== undefined) {
    options.method = 'POST';
    options.headers['content-type'] = 'application/json';
    options.body = JSON.stringify(body);
  }
  let answer;
  try {
    answer = await fetch(path, options);
  } catch {
    throw new Error('The program does not answer. Nothing new is saved; start `thermal review` again and open its new address.');
  }
  if (answer.ok || answer.status === 409) return answer;
  let text = answer.statusText;
  try { text = (await answer.json()).error || text; } catch { /* not JSON */ }
  throw new Error(text);
}
const json = async (path, body) => (await call(path, body)).json();

function alarm(text) {
  $('alarm').textContent = text;
  $('alarm').hidden = !text;
  lastWarning = text;
}
function guard(work) { return (...args) => Promise.resolve(work(...args)).catch((e) => alarm(e.message)); }
function element(name, text, attributes = {}) {
  const e = document.createElement(name);
  if (text !== undefined && text !== null) e.textContent = text;
  for (const [key, value] of Object.entries(attributes)) e.setAttribute(key, value);
  return e;
}
const fixed = (x, n = 1) => (x === null || x === undefined ? '–' : x.toFixed(n).replace('-', '−'));

// ---- what is kept over a reload
const store = () => `review-${run.run}`;
function keep() {
  const filters = {};
  for (const id of FILTERS) filters[id] = $(id).value;
  try {
    localStorage.setItem(store(), JSON.stringify({ at: current && current.id, filters, view, sight, reviewer: $('reviewer').value }));
  } catch { /* private window: the page works without */ }
}
function kept() {
  try { return JSON.parse(localStorage.getItem(store())) || {}; } catch { return {}; }
}

// ---- state
const latest = (f) => run.state[f.id] || { verdict: f.machine, n: 0, reviewer: '', at: null };
function take(state) { run.state = state.state; run.n = state.n; }

function counts() {
  const all = run.findings.filter((f) => latest(f).verdict.decision !== 'withdrawn');
  const open = all.filter((f) => latest(f).verdict.decision === 'open').length;
  $('progress').textContent = `${all.length - open} of ${all.length} decided, ${open} open`;
}

// ---- queue
const FILTERS = ['by-pattern', 'by-band', 'by-row', 'by-flag', 'by-decision', 'by-text'];
function fill(id, words, all) {
  const select = $(id);
  select.replaceChildren(element('option', all, { value: '' }), ...words.map((w) => element('option', w, { value: w })));
}
function passes(f) {
  const v = latest(f).verdict;
  const text = $('by-text').value.trim().toLowerCase();
  const is = (id, value) => !$(id).value || $(id).value === String(value);
  return is('by-pattern', v.pattern) && is('by-band', v.severity) && is('by-row', f.row)
    && (!$('by-flag').value || f.flags.includes($('by-flag').value)) && is('by-decision', v.decision)
    && (!text || `${f.id} ${f.asset}`.toLowerCase().includes(text));
}
function item(f) {
  const v = latest(f).verdict;
  const button = element('button', null, { type: 'button', 'data-id': f.id, 'aria-current': String(f === current) });
  button.append(
    element('span', SIGNS[v.severity] || '●', { class: `sign ${v.severity}`, 'aria-hidden': 'true' }),
    element('span', `${f.id} ${v.pattern}`),
    element('span', `${fixed(f.delta_ref ?? f.delta)} K`),
    element('span', `${v.severity}, ${v.decision}${f.asset ? `, ${f.asset}` : ''}`, { class: 'state' }));
  return button;
}
function list() {
  shown = run.findings.filter(passes);
  $('list').replaceChildren(...shown.map((f) => { const li = element('li'); li.append(item(f)); return li; }));
  $('shown').textContent = `${shown.length} of ${run.findings.length}`;
  if (shown.length && !shown.includes(current)) return show(shown[0]);
  if (!shown.length) $('shown').textContent = 'None passes the filters';
  scrollToCurrent();
  return Promise.resolve();
}
function rowOf(f) { return f && $('list').querySelector(`button[data-id="${CSS.escape(f.id)}"]`); }
function refreshItem(f) { const old = rowOf(f); if (old) old.replaceWith(item(f)); }
function scrollToCurrent() { const row = rowOf(current); if (row) row.scrollIntoView({ block: 'nearest' }); }
function step(by, wanted = () => true) {
  if (!shown.length) return undefined;
  let at = shown.indexOf(current);
  for (let i = 0; i < shown.length; i += 1) {
    at += by;
    if (at < 0 || at >= shown.length) {
      const said = $('saved').textContent;
      const end = by > 0 ? 'That was the last one.' : 'That is the first one.';
      say(said.startsWith('Saved') && !said.includes(end) ? `${said} ${end}` : end);
      return undefined;
    }
    if (wanted(shown[at])) return show(shown[at]);
  }
  return undefined;
}
const nextOpen = () => step(1, (f) => latest(f).verdict.decision === 'open');

// ---- frames
async function frame(name) {
  if (frames.has(name)) {
    const there = frames.get(name);
    frames.delete(name);
    frames.set(name, there);
    return there;
  }
  const work = (async () => {
    const bytes = await (await call(`/api/frame?name=${encodeURIComponent(name)}`)).arrayBuffer();
    const [width, height] = new Uint32Array(bytes, 0, 2);
    return { width, height, t: new Float32Array(bytes, 8) };
  })();
  frames.set(name, work);
  while (frames.size > MAX_FRAMES) frames.delete(frames.keys().next().value);
  try { return await work; } catch (e) { frames.delete(name); throw e; }
}
async function sightsOf(f) {
  if (!details.has(f.id)) {
    details.set(f.id, json(`/api/finding?id=${encodeURIComponent(f.id)}`));
    while (details.size > 60) details.delete(details.keys().next().value);
  }
  try { return (await details.get(f.id)).sights; } catch (e) { details.delete(f.id); throw e; }
}
function prefetch() {
  const at = shown.indexOf(current);
  for (const f of [shown[at + 1], shown[at + 2], shown[at - 1]].filter(Boolean)) {
    sightsOf(f).then((s) => s.length && run.frames_at_hand && frame(s[0].frame)).catch(() => {});
  }
}

// ---- one finding
async function show(f, wantedSight = 0) {
  const old = current;
  current = f;
  probe = null;
  if (old) { const row = rowOf(old); if (row) row.setAttribute('aria-current', 'false'); }
  const row = rowOf(f);
  if (row) row.setAttribute('aria-current', 'true');
  scrollToCurrent();
  words();
  const found = await sightsOf(f);
  if (current !== f) return;
  sights = found;
  await look(Math.min(wantedSight, Math.max(sights.length - 1, 0)), true);
  if (current !== f) return;
  // What the next key will ask for comes before what only rounds this one off.
  prefetch();
  keep();
  setTimeout(() => { if (current === f) drawPlan(); }, 60);
  thumbnails();
  document.body.dataset.shown = f.id;
}
function words() {
  const f = current;
  const state = latest(f);
  const v = state.verdict;
  $('name').textContent = `${f.id}: ${v.pattern}${v.part ? ` ${v.part}` : ''}`;
  $('verdict').textContent = `${SIGNS[v.severity] || ''} ${v.severity}, class ${f.class}. ${v.decision}${state.reviewer ? ` by ${state.reviewer}` : ''}${v.reason ? `: ${v.reason}` : ''}`;
  $('verdict').className = v.severity;
  const machine = f.machine;
  const differs = v.pattern !== machine.pattern || v.part !== machine.part || v.severity !== machine.severity;
  $('place').textContent = [f.asset && `module ${f.asset}`, f.row && `row ${f.row}`, f.course && `course ${f.course}`, f.position && `position ${f.position}`]
    .filter(Boolean).join(', ');
  $('part').value = v.part;
  $('note').value = v.note;
  for (const b of $('patterns').children) b.setAttribute('aria-pressed', String(b.value === v.pattern));
  for (const b of $('bands').children) b.setAttribute('aria-pressed', String(b.value === v.severity));
  $('undo').disabled = state.n === 0;
  const rows = [
    ['Difference', `${fixed(f.delta)} K`], ['At 1000 W/m²', f.delta_ref === null ? 'not scaled' : `${fixed(f.delta_ref)} K`],
    ['Hottest part', f.t_max === null ? null : `${fixed(f.t_max)} °C`],
    ['Module, row', f.t_median === null ? null : `${fixed(f.t_median)} °C, ${fixed(f.t_row)} °C`],
    ['Irradiance', f.irradiance === null ? 'not known' : `${fixed(f.irradiance, 0)} W/m²`],
    ['Frames', `${f.confirmed} of ${f.seen}`], ['Confidence', `${fixed(100 * f.confidence, 0)} %`],
    ['Program said', differs ? `${machine.pattern} ${machine.part}, ${machine.severity}` : null],
    ['Cautions', f.flags.map((name) => (run.flags.find((x) => x.name === name) || { short: name }).short).join('; ')],
    ['Program’s note', f.note]];
  $('figures').replaceChildren(...rows.filter((r) => r[1]).flatMap((r) => [element('dt', r[0]), element('dd', r[1])]));
}
async function look(index, fresh) {
  sight = index;
  const s = sights[index];
  const f = current;
  if (!s || !run.frames_at_hand) return evidence();
  const data = await frame(s.frame);
  if (current !== f || sight !== index) return undefined;
  if (fresh || view.low === null) fit(data, s.corners);
  outlines = [];
  json(`/api/outlines?frame=${encodeURIComponent(s.frame)}`).then((o) => {
    if (sights[sight] === s) { outlines = o; draw(); }
  }).catch(() => {});
  draw();
  for (const [i, b] of [...$('frames').children].entries()) b.setAttribute('aria-pressed', String(i === sight));
  return undefined;
}
/// Without the frames there is still the picture of the run.
async function evidence() {
  const canvas = $('picture');
  size(canvas);
  const pen = canvas.getContext('2d');
  pen.clearRect(0, 0, canvas.width, canvas.height);
  matrix = null;
  const blob = await (await call(`/api/evidence?id=${encodeURIComponent(current.id)}`)).blob();
  const picture = await createImageBitmap(blob);
  const k = Math.min(canvas.width / picture.width, canvas.height / picture.height);
  pen.drawImage(picture, 0, 0, picture.width * k, picture.height * k);
  picture.close();
  $('readout').textContent = 'The frames are not at hand: this is the run’s own picture. Start with --inspection DIR to see temperatures.';
}

// ---- drawing
function size(canvas) {
  const ratio = window.devicePixelRatio || 1;
  const [w, h] = [Math.round(canvas.clientWidth * ratio), Math.round(canvas.clientHeight * ratio)];
  if (canvas.width !== w || canvas.height !== h) { canvas.width = w; canvas.height = h; }
}
const middle = (c) => [0, 1].map((k) => (c[0][k] + c[1][k] + c[2][k] + c[3][k]) / 4);
const length = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);
/// Covers the module wholly; sound neighbours come to lie in the lower part, so that colder and hotter both show.
function fit(data, corners) {
  const [cx, cy] = middle(corners);
  const reach = 1.2 * Math.max(length(corners[0], corners[1]), length(corners[1], corners[2]));
  const [own, near] = [[], []];
  for (let y = Math.max(0, Math.floor(cy - reach)); y < Math.min(data.height, cy + reach); y += 1) {
    for (let x = Math.max(0, Math.floor(cx - reach)); x < Math.min(data.width, cx + reach); x += 1) {
      const t = data.t[y * data.width + x];
      if (!Number.isFinite(t)) continue;
      near.push(t);
      if (inside([x + 0.5, y + 0.5], corners)) own.push(t);
    }
  }
  // Typed arrays sort as numbers, and far faster.
  const [mine, all] = [Float32Array.from(own).sort(), Float32Array.from(near).sort()];
  const at = (sorted, share) => sorted[Math.round(share * (sorted.length - 1))] ?? 0;
  const cold = Math.min(at(mine, 0.05), at(all, 0.5));
  const span = Math.max(at(mine, 1) - cold, 4);
  view.low = Math.floor(2 * (cold - 0.4 * span)) / 2;
  view.high = Math.ceil(2 * (cold + span)) / 2;
}
const sheet = document.createElement('canvas');
function paint(data) {
  sheet.width = data.width;
  sheet.height = data.height;
  const pen = sheet.getContext('2d');
  const image = pen.createImageData(data.width, data.height);
  const map = run.colours[view.colours];
  const [low, gain] = [view.low, 255 / Math.max(view.high - view.low, 0.1)];
  const out = image.data;
  for (let i = 0; i < data.t.length; i += 1) {
    const t = data.t[i];
    const k = 3 * Math.max(0, Math.min(255, Math.round((t - low) * gain) || 0));
    out[4 * i] = map[k]; out[4 * i + 1] = map[k + 1]; out[4 * i + 2] = map[k + 2];
    out[4 * i + 3] = Number.isFinite(t) ? 255 : 0;
  }
  pen.putImageData(image, 0, 0);
}
/// The frame so that the module stands in the middle with its upper edge up.
function place(canvas, corners, zoom) {
  const [cx, cy] = middle(corners);
  const up = [corners[1][0] - corners[0][0], corners[1][1] - corners[0][1]];
  const [w, h] = [length(corners[0], corners[1]), length(corners[1], corners[2])];
  const k = zoom * Math.min(canvas.width / (3.2 * w), canvas.height / (1.9 * h));
  return new DOMMatrix().translate(canvas.width / 2, canvas.height / 2).scale(k).rotate(-Math.atan2(up[1], up[0]) * 180 / Math.PI).translate(-cx, -cy);
}
function polygon(pen, m, corners) {
  pen.beginPath();
  corners.forEach((c, i) => { const p = m.transformPoint(new DOMPoint(c[0], c[1])); pen[i ? 'lineTo' : 'moveTo'](p.x, p.y); });
  pen.closePath();
}
function render(canvas, data, corners, zoom, lines) {
  size(canvas);
  const pen = canvas.getContext('2d');
  pen.setTransform(1, 0, 0, 1, 0, 0);
  pen.fillStyle = '#10161a';
  pen.fillRect(0, 0, canvas.width, canvas.height);
  const m = place(canvas, corners, zoom);
  pen.setTransform(m);
  pen.imageSmoothingEnabled = false;
  pen.drawImage(sheet, 0, 0);
  pen.setTransform(1, 0, 0, 1, 0, 0);
  if (lines) {
    pen.lineWidth = 1;
    pen.strokeStyle = 'rgb(255 255 255 / 55%)';
    for (const o of outlines) { polygon(pen, m, o.corners); pen.stroke(); }
    const ratio = window.devicePixelRatio || 1;
    for (const [width, colour] of [[5, '#000'], [2, '#fff']]) {
      pen.lineWidth = width * ratio; pen.strokeStyle = colour; polygon(pen, m, corners); pen.stroke();
    }
  }
  return m;
}
function drawNow() {
  const s = sights[sight];
  if (!s || !run.frames_at_hand) return;
  const data = frames.get(s.frame);
  Promise.resolve(data).then((d) => {
    if (!d || sights[sight] !== s) return;
    paint(d);
    matrix = render($('picture'), d, s.corners, view.zoom, view.outlines);
    $('picture').setAttribute('aria-label', `Thermogram ${s.frame}, module in the middle, ${fixed(view.low)} to ${fixed(view.high)} degrees Celsius`);
    if (probe) cross();
    $('low').value = view.low; $('high').value = view.high; $('colours').value = view.colours;
    $('scale-high').textContent = `${fixed(view.high)} °C`;
    $('scale-low').textContent = `${fixed(view.low)} °C`;
    const pen = $('bar').getContext('2d');
    const map = run.colours[view.colours];
    for (let i = 0; i < 256; i += 1) {
      pen.fillStyle = `rgb(${map[3 * i]} ${map[3 * i + 1]} ${map[3 * i + 2]})`;
      pen.fillRect(0, 255 - i, 1, 1);
    }
    $('outlines').setAttribute('aria-pressed', String(view.outlines));
    document.body.dataset.drawn = `${current.id} ${s.frame}`;
  }).catch((e) => alarm(e.message));
}
let waiting = false;
function draw() {
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(() => { waiting = false; drawNow(); });
}
async function thumbnails() {
  const f = current;
  const buttons = sights.map((s, i) => {
    const b = element('button', null, { type: 'button', 'aria-pressed': String(i === sight), 'aria-label': `Frame ${s.frame}, ${s.pattern}` });
    b.append(element('canvas'), element('span', `${s.frame} ${s.pattern === 'none' ? '' : `${fixed(s.delta)}\u00a0K`}`));
    b.onclick = guard(() => look(i, false));
    return b;
  });
  $('frames').replaceChildren(...buttons);
  if (!run.frames_at_hand) return;
  // The main picture and the next finding's come first; the small ones follow when the page is idle, the best frames only.
  for (const [i, s] of sights.slice(0, 8).entries()) {
    await new Promise((done) => { setTimeout(done, i ? 30 : 120); });
    if (current !== f) return;
    const data = await frame(s.frame);
    if (current !== f) return;
    paint(data);
    const own = outlines;
    outlines = [];
    render(buttons[i].firstChild, data, s.corners, 1.4, true);
    outlines = own;
  }
  const s = sights[sight];
  if (s && current === f) { const d = await frame(s.frame); if (current === f) { paint(d); } }
}

// ---- temperatures
function temperature(x, y) {
  const data = frames.get(sights[sight].frame);
  return Promise.resolve(data).then((d) => {
    const [i, j] = [Math.floor(x), Math.floor(y)];
    return d && i >= 0 && j >= 0 && i < d.width && j < d.height ? d.t[j * d.width + i] : null;
  });
}
async function readOut() {
  if (!probe || !matrix) return;
  const [x, y] = probe;
  const t = await temperature(x, y);
  $('readout').textContent = t === null || !Number.isFinite(t) ? 'outside the frame'
    : `${t.toFixed(2).replace('-', '−')} °C at column ${Math.floor(x)}, line ${Math.floor(y)} of ${sights[sight].frame}`;
}
function cross() {
  const canvas = $('picture');
  const pen = canvas.getContext('2d');
  const p = matrix.transformPoint(new DOMPoint(probe[0], probe[1]));
  for (const [w, c] of [[4, '#000'], [1.5, '#fff']]) {
    pen.lineWidth = w; pen.strokeStyle = c; pen.beginPath();
    pen.moveTo(p.x - 12, p.y); pen.lineTo(p.x - 3, p.y); pen.moveTo(p.x + 3, p.y); pen.lineTo(p.x + 12, p.y);
    pen.moveTo(p.x, p.y - 12); pen.lineTo(p.x, p.y - 3); pen.moveTo(p.x, p.y + 3); pen.lineTo(p.x, p.y + 12); pen.stroke();
  }
}
function toFrame(event) {
  const box = $('picture').getBoundingClientRect();
  const ratio = $('picture').width / box.width;
  const p = matrix.inverse().transformPoint(new DOMPoint((event.clientX - box.left) * ratio, (event.clientY - box.top) * ratio));
  return [p.x, p.y];
}

// ---- decisions
function say(text, busy = false) { $('saved').textContent = text; $('saved').classList.toggle('busy', busy); }
let queue = Promise.resolve(); // one at a time, in the order of the keys
function decide(request, forward) {
  const f = current;
  const seen = () => latest(f).n;
  queue = queue.then(() => send(f, request, seen(), forward)).catch((e) => { say('Not saved.'); alarm(e.message); });
  return queue;
}
async function send(f, request, seen, forward) {
  if (!$('reviewer').value.trim()) {
    $('reviewer').focus();
    throw new Error('Write your name at the top first: every decision is on record with a name.');
  }
  say(`Saving ${f.id} …`, true);
  const answer = await call('/api/decide', { finding: f.id, reviewer: $('reviewer').value, seen, ...request });
  const body = await answer.json();
  take(body);
  refreshItem(f);
  counts();
  if (answer.status === 409) {
    const v = latest(f);
    if (current === f) words();
    say('Not saved.');
    alarm(`${f.id} was decided by ${v.reviewer} in the meantime: ${v.verdict.decision} ${v.verdict.pattern}. Look at it again; your decision was not taken.`);
    return;
  }
  if (lastWarning) alarm('');
  say(`Saved: ${f.id} ${latest(f).verdict.decision}, entry ${body.entry}.`);
  if (current !== f) return;
  words();
  drawPlan();
  if (forward) await step(1);
}
const confirmIt = () => decide({ action: 'confirm' }, true);
const setPattern = (pattern) => decide({ action: 'change', pattern }, false);
const setBand = (severity) => decide({ action: 'change', severity }, false);
const undo = () => decide({ action: 'undo' }, false);
function dismiss() {
  $('reason').value = '';
  $('dismiss-box').returnValue = '';
  $('dismiss-box').showModal();
}
function closeDismiss() {
  const box = $('dismiss-box');
  const value = box.returnValue;
  if (value.startsWith('reason-')) decide({ action: 'dismiss', reason: REASONS[Number(value.slice(7))] }, true);
  else if (value === 'other' && $('reason').value.trim()) decide({ action: 'dismiss', reason: $('reason').value.trim() }, true);
}
function openAdd() {
  const s = sights[sight];
  if (!s) return;
  $('add-which').textContent = `Frame ${s.frame}. A click on a module in the picture picks it too.`;
  const options = outlines.filter((o) => o.whole).map((o) => element('option', `${o.asset || `row ${o.row}, course ${o.course}, position ${o.position}`}${o.pattern === 'none' ? '' : ` (${o.pattern})`}`, { value: String(o.k) }));
  $('add-module').replaceChildren(...options);
  if (probe) { const o = under(probe); if (o) $('add-module').value = String(o.k); }
  $('add-box').returnValue = '';
  $('add-box').showModal();
}
function inside(p, c) {
  let sign = 0;
  for (let i = 0; i < 4; i += 1) {
    const [a, b] = [c[i], c[(i + 1) % 4]];
    const side = Math.sign((b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]));
    if (sign && side && side !== sign) return false;
    sign = side || sign;
  }
  return true;
}
const under = (p) => outlines.find((o) => inside(p, o.corners));
async function closeAdd() {
  if ($('add-box').returnValue !== 'add' || !$('add-module').value) return;
  if (!$('reviewer').value.trim()) { $('reviewer').focus(); throw new Error('Write your name at the top first.'); }
  const body = await json('/api/add', { frame: sights[sight].frame, outline: Number($('add-module').value), pattern: $('add-pattern').value,
    part: $('add-part').value, note: $('add-note').value, reviewer: $('reviewer').value });
  run.findings.push(...body.findings.slice(run.findings.length));
  take(body);
  say(`Saved: ${body.added} added, entry ${body.entry}.`);
  counts();
  const f = run.findings.find((x) => x.id === body.added);
  await list();
  await show(f);
}

// ---- plan
let plan = null;
const planBase = document.createElement('canvas');
async function loadPlan() {
  plan = await json('/api/plan');
  drawPlan(true);
}
let planKey = '';
function planMatrix(canvas) {
  const b = plan.bounds;
  const k = Math.min((canvas.width - 16) / Math.max(b[2] - b[0], 1), (canvas.height - 16) / Math.max(b[3] - b[1], 1));
  return new DOMMatrix().translate(canvas.width / 2, canvas.height / 2).scale(k, -k).translate(-(b[0] + b[2]) / 2, -(b[1] + b[3]) / 2);
}
function drawPlan(anew) {
  const canvas = $('plan');
  if (!plan) return;
  if (!plan.rings.length) { canvas.hidden = true; $('plan-title').textContent = 'No positions, so no plan'; return; }
  size(canvas);
  const m = planMatrix(canvas);
  const key = `${canvas.width} ${canvas.height}`;
  if (anew || key !== planKey) {
    planKey = key;
    planBase.width = canvas.width; planBase.height = canvas.height;
    const pen = planBase.getContext('2d');
    pen.fillStyle = '#c6d0d6';
    pen.beginPath();
    for (const r of plan.rings) {
      for (let i = 0; i < 4; i += 1) {
        const p = m.transformPoint(new DOMPoint(r[2 * i], r[2 * i + 1]));
        pen[i ? 'lineTo' : 'moveTo'](p.x, p.y);
      }
      pen.closePath();
    }
    pen.fill();
  }
  const pen = canvas.getContext('2d');
  pen.clearRect(0, 0, canvas.width, canvas.height);
  pen.drawImage(planBase, 0, 0);
  pen.textAlign = 'center'; pen.textBaseline = 'middle';
  const ratio = window.devicePixelRatio || 1;
  const ink = { grave: '#7d1440', marked: '#9a4408', slight: '#6b5a00' };
  pen.font = `${9 * ratio}px sans-serif`;
  for (const f of [...run.findings].reverse()) {
    const at = plan.places[f.id];
    const v = latest(f).verdict;
    if (!at || v.decision === 'withdrawn' || v.decision === 'dismissed') continue;
    const p = m.transformPoint(new DOMPoint(at[0], at[1]));
    pen.fillStyle = ink[v.severity] || '#333';
    pen.fillText(SIGNS[v.severity] || '●', p.x, p.y);
  }
  const at = current && plan.places[current.id];
  if (at) {
    const p = m.transformPoint(new DOMPoint(at[0], at[1]));
    for (const [w, c] of [[5, '#fff'], [2.2, '#000']]) {
      pen.lineWidth = w * ratio; pen.strokeStyle = c; pen.beginPath(); pen.arc(p.x, p.y, 9 * ratio, 0, 7); pen.stroke();
    }
  }
}
function planClick(event) {
  if (!plan) return undefined;
  const canvas = $('plan');
  const box = canvas.getBoundingClientRect();
  const ratio = canvas.width / box.width;
  const m = planMatrix(canvas);
  const [x, y] = [(event.clientX - box.left) * ratio, (event.clientY - box.top) * ratio];
  let best = null;
  for (const f of run.findings) {
    const at = plan.places[f.id];
    if (!at) continue;
    const p = m.transformPoint(new DOMPoint(at[0], at[1]));
    const d = Math.hypot(p.x - x, p.y - y);
    if (!best || d < best.d) best = { d, f };
  }
  return best && best.d < 25 * ratio ? show(best.f) : undefined;
}

// ---- keys
function span(factor) {
  const [mid, half] = [(view.low + view.high) / 2, (view.high - view.low) / 2 * factor];
  view.low = Math.round(10 * (mid - half)) / 10;
  view.high = Math.round(10 * Math.max(mid + half, mid - half + 1)) / 10;
  draw();
}
function shift(by) { view.low += by; view.high += by; draw(); }
function zoom(factor) { view.zoom = Math.min(12, Math.max(0.15, view.zoom * factor)); draw(); }
function colours() {
  const names = Object.keys(run.colours);
  view.colours = names[(names.indexOf(view.colours) + 1) % names.length];
  draw();
}
const KEYS = [
  ['j', 'next finding', () => step(1)], ['k', 'the one before', () => step(-1)], ['h', 'next that is still open', nextOpen],
  ['c', 'confirm and go on', confirmIt], ['x', 'dismiss, then a digit for the reason', dismiss], ['u', 'undo the last decision on this finding', undo],
  ['1', 'hotspot', () => setPattern('hotspot')], ['2', 'cell', () => setPattern('cell')], ['3', 'substring', () => setPattern('substring')],
  ['4', 'module', () => setPattern('module')], ['5', 'string', () => setPattern('string')],
  ['7', 'slight', () => setBand('slight')], ['8', 'marked', () => setBand('marked')], ['9', 'grave', () => setBand('grave')],
  ['p', 'write the part, Enter saves', () => $('part').focus()], ['n', 'write a note, Enter saves', () => $('note').focus()],
  ['f', 'the module in its next frame', () => sights.length && look((sight + 1) % sights.length, false)],
  ['F', 'in the frame before', () => sights.length && look((sight + sights.length - 1) % sights.length, false)],
  ['+', 'more contrast', () => span(0.8)], ['-', 'less contrast', () => span(1.25)], [',', 'span colder', () => shift(-1)], ['.', 'span hotter', () => shift(1)],
  ['0', 'fit span and zoom', () => { view.low = null; view.zoom = 1; return look(sight, true); }], ['m', 'next colour map', colours],
  ['z', 'closer', () => zoom(1.25)], ['Z', 'farther', () => zoom(0.8)], ['o', 'outlines on and off', () => { view.outlines = !view.outlines; draw(); }],
  ['a', 'add what the machine missed', openAdd], ['/', 'find', () => $('by-text').focus()], ['?', 'this list', () => $('help').showModal()],
];
function onKey(event) {
  if (event.ctrlKey || event.altKey || event.metaKey) return;
  const box = document.querySelector('dialog[open]');
  if (box) {
    const digit = Number(event.key);
    if (box.id === 'dismiss-box' && event.target !== $('reason') && digit >= 1 && digit <= REASONS.length) {
      event.preventDefault();
      box.close(`reason-${digit - 1}`);
    }
    return;
  }
  const target = event.target;
  if (['INPUT', 'TEXTAREA', 'SELECT'].includes(target.tagName)) {
    if (event.key === 'Escape') target.blur();
    // Leaving a field saves it.
    if (event.key === 'Enter' && !event.shiftKey && ['part', 'note'].includes(target.id)) { event.preventDefault(); target.blur(); }
    return;
  }
  const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
  if (arrows && target === $('picture') && matrix) {
    event.preventDefault();
    const start = probe || middle(sights[sight].corners);
    probe = [Math.floor(start[0]) + 0.5 + arrows[0], Math.floor(start[1]) + 0.5 + arrows[1]];
    $('readout').setAttribute('aria-live', 'polite');
    readOut();
    draw();
    return;
  }
  if (arrows && arrows[1]) { event.preventDefault(); guard(() => step(arrows[1]))(); return; }
  const key = KEYS.find(([k]) => k === event.key || (k === '+' && event.key === '='));
  if (key) { event.preventDefault(); guard(key[2])(); }
}

// ---- start
function button(id, work) { $(id).onclick = guard(work); }
function wire() {
  document.addEventListener('keydown', onKey);
  const act = (k) => KEYS.find(([name]) => name === k)[2];
  for (const [id, k] of [['confirm', 'c'], ['dismiss', 'x'], ['undo', 'u'], ['next', 'j'], ['previous', 'k'], ['next-open', 'h'], ['span-auto', '0'], ['span-narrow', '+'],
    ['span-wide', '-'], ['zoom-in', 'z'], ['zoom-out', 'Z'], ['outlines', 'o'], ['add', 'a'], ['help-open', '?']]) {
    $(id).setAttribute('aria-keyshortcuts', k);
    button(id, act(k));
  }
  const press = (box, words, first, work) => $(box).replaceChildren(...words.map((word, i) => {
    const b = element('button', null, { type: 'button', value: word, 'aria-pressed': 'false', 'aria-keyshortcuts': String(first + i) });
    b.append(element('kbd', String(first + i)), ` ${word}`);
    b.onclick = guard(() => work(word));
    return b;
  }));
  press('patterns', run.patterns, 1, setPattern);
  press('bands', run.bands, 7, setBand);
  $('reasons').replaceChildren(...REASONS.map((reason, i) => {
    const b = element('button', null, { value: `reason-${i}` });
    b.append(element('kbd', String(i + 1)), ` ${reason}`);
    return b;
  }));
  $('keys').replaceChildren(...KEYS.flatMap(([k, what]) => {
    const dt = element('dt');
    dt.append(element('kbd', k));
    return [dt, element('dd', what)];
  }));
  $('dismiss-box').addEventListener('close', guard(closeDismiss));
  $('add-box').addEventListener('close', guard(closeAdd));
  $('list').addEventListener('click', guard((e) => {
    const b = e.target.closest('button');
    return b ? show(run.findings.find((f) => f.id === b.dataset.id)) : undefined;
  }));
  for (const id of FILTERS) $(id).addEventListener(id === 'by-text' ? 'input' : 'change', guard(() => { const r = list(); keep(); return r; }));
  $('filters').addEventListener('reset', () => setTimeout(guard(() => { const r = list(); keep(); return r; })));
  $('filters').addEventListener('submit', (e) => e.preventDefault());
  $('part').addEventListener('change', () => current && $('part').value !== latest(current).verdict.part && decide({ action: 'change', part: $('part').value }, false));
  $('note').addEventListener('change', () => current && $('note').value !== latest(current).verdict.note && decide({ action: 'note', note: $('note').value }, false));
  $('reviewer').addEventListener('change', keep);
  for (const [id, side] of [['low', 'low'], ['high', 'high']]) {
    $(id).addEventListener('change', () => { const x = Number($(id).value); if (Number.isFinite(x)) view[side] = x; if (view.high <= view.low) view.high = view.low + 1; draw(); keep(); });
  }
  $('colours').addEventListener('change', () => { view.colours = $('colours').value; draw(); keep(); });
  $('picture').addEventListener('pointermove', (e) => { if (matrix) { probe = toFrame(e); $('readout').setAttribute('aria-live', 'off'); readOut(); probe = null; } });
  $('picture').addEventListener('click', (e) => { if (matrix) { probe = toFrame(e); readOut(); draw(); } });
  $('picture').addEventListener('wheel', (e) => { e.preventDefault(); zoom(e.deltaY < 0 ? 1.15 : 0.87); }, { passive: false });
  $('plan').addEventListener('click', guard(planClick));
  window.addEventListener('resize', () => { draw(); drawPlan(true); });
  window.addEventListener('pagehide', keep);
}
/// What other pages decided shows here within seconds.
async function follow() {
  try {
    const body = await json(`/api/state?since=${run.n}`);
    if (body.n !== run.n) {
      // Another page added a finding. Otherwise the findings stay the objects that queue and view hold.
      const grown = body.findings.length > run.findings.length;
      if (grown) run.findings.push(...body.findings.slice(run.findings.length));
      const before = run.state;
      take(body);
      for (const f of run.findings) if ((before[f.id] || {}).n !== (run.state[f.id] || {}).n) refreshItem(f);
      counts();
      if (grown) await list();
      const writing = ['part', 'note'].includes(document.activeElement.id);
      if (current && !writing) { words(); drawPlan(); }
    }
    if (lastWarning.startsWith('The program does not answer')) alarm('');
  } catch (e) {
    alarm(e.message);
  }
}
async function start() {
  if (!token) throw new Error('The address lacks its key. Use the whole address that `thermal review` printed.');
  run = await json('/api/start');
  document.title = `Review: ${run.site}`;
  $('site').textContent = `Review: ${run.site}`;
  const rows = [...new Set(run.findings.map((f) => f.row))].filter(Boolean).sort((a, b) => a - b);
  fill('by-pattern', run.patterns, 'all'); fill('by-band', [...run.bands].reverse(), 'all'); fill('by-row', rows.map(String), 'all');
  fill('by-flag', run.flags.map((f) => f.name), 'any'); fill('by-decision', run.decisions, 'all');
  $('colours').replaceChildren(...Object.keys(run.colours).map((c) => element('option', c, { value: c })));
  $('add-pattern').replaceChildren(...run.patterns.map((p) => element('option', p, { value: p })));
  wire();
  const was = kept();
  $('reviewer').value = was.reviewer || run.reviewer;
  for (const id of FILTERS) if (was.filters && was.filters[id]) $(id).value = was.filters[id];
  if (was.view) { view = { ...view, ...was.view }; if (!run.colours[view.colours]) view.colours = 'inferno'; }
  counts();
  shown = run.findings.filter(passes);
  const at = shown.find((f) => f.id === was.at) || shown[0];
  if (at) {
    await show(at, at.id === was.at ? was.sight || 0 : 0);
    // The first picture stands before the queue is laid out, which takes a while with thousands. A page behind another
    // draws nothing: it does not wait.
    await new Promise((done) => { requestAnimationFrame(() => setTimeout(done)); setTimeout(done, 200); });
  }
  await list();
  if (!run.findings.length) $('name').textContent = 'The run has no findings.';
  loadPlan().catch((e) => alarm(e.message));
  setInterval(follow, 3000);
  window.addEventListener('focus', follow);
  document.body.dataset.ready = 'yes';
}
guard(start)();
