// The page: it shows what the server says and sends it what the person decides. Every
// figure on it was made by the server.

import { get, post, listen, picture, el, glyph } from './api.js';
import { Board } from './board.js';
import { openSetup } from './setup.js';

const $ = id => document.getElementById(id);

const state = {
  session: null,
  photo: null,
  view: 'flat',
  selected: '',
  placing: '', // add, move, split or point
  colour: '', // of the next mark
  points: [],
};

const board = new Board($('board'), {
  select: id => select(id),
  place: (x, y) => place(x, y),
  drag: (id, x, y) => decide({ kind: 'move', mark: id, ...at(x, y) }),
  key: key => boardKey(key),
  painted: scale => { $('scale').textContent = `${Math.round(100 * scale)}%`; },
});

// --- what is shown -------------------------------------------------------------------

async function load() {
  const answer = await get('/api/session');
  if (answer.setup) {
    $('review').hidden = true;
    openSetup(answer.setup, say, load);
    return;
  }
  $('setup').hidden = true;
  $('review').hidden = $('history').hidden = false;
  showSession(answer.session);
  const current = state.photo ?? { index: answer.session.photos[0]?.index };
  if (current.index !== undefined) await openPhoto(current.index, Boolean(state.photo));
}

// Pictures of the photo at hand, by view; those of another photo are given back.
let loaded = { of: '', views: {} };

async function openPhoto(index, keep) {
  const photo = await get('/api/photo/' + index);
  if (!keep) {
    state.selected = '';
    state.points = [];
    endPlacing();
  }
  await showPhoto(photo, keep);
}

async function showPhoto(photo, keep) {
  const of = `${photo.index} ${photo.plane}`; // another plane squares up another picture
  if (of !== loaded.of) {
    board.picture = null;
    Object.values(loaded.views).forEach(p => p.close());
    loaded = { of, views: {} };
    keep = false;
  }
  if (photo.index !== state.photo?.index) state.colour = photo.colour || (state.session.stickers?.[0] ?? state.session.colours[0]);
  state.photo = photo;
  if (!shownPicture()) state.view = 'taken';
  refresh(() => {
    renderPhotos();
    renderPhotoWords();
    renderMark();
    renderMarks();
    renderPoints();
  });
  await showPicture(keep);
}

const shownPicture = () => state.photo.pictures.find(p => p.view === state.view);

async function showPicture(keep) {
  const { photo, view } = state, size = shownPicture();
  if (!size.width) { // a file that is no photo
    board.show(null, { width: 1, height: 1 }, false);
    return;
  }
  if (!loaded.views[view]) {
    const views = loaded.views, p = await picture(`/photo/${photo.index}/${view}`);
    if (loaded.views !== views) { p.close(); return; }
    views[view] = p;
  }
  if (state.photo.index !== photo.index || state.view !== view) return;
  board.show(loaded.views[view], size, keep);
  overlay();
  document.body.dataset.shown = `${photo.index}/${view}`;
}

function overlay() {
  const view = state.view;
  board.selected = state.selected;
  board.overlay({
    rings: shownPicture().rings ?? [],
    marks: (state.photo.marks ?? []).map(m => ({ ...m, ...m[view], who: who(m) })),
    points: view === 'taken' ? state.points : [],
  });
}

const who = m => (m.group >= 0 ? state.session.groups[m.group] : state.photo.unknown);

// refresh renders lists anew and leaves the keyboard where it was.
function refresh(render) {
  const key = document.activeElement?.dataset?.key;
  const inBoard = document.activeElement === $('board');
  render();
  if (key) document.querySelector(`[data-key="${CSS.escape(key)}"]`)?.focus();
  else if (inBoard) $('board').focus();
}

function showSession(s) {
  state.session = s;
  document.title = s.title + ' · dartfall review';
  $('title').textContent = s.title;
  $('answer').textContent = s.answer;
  for (const [id, words] of [['undo', s.undo], ['redo', s.redo]]) {
    $(id).disabled = !words;
    $(id).title = words;
  }
  refresh(() => {
    renderNumbers();
    renderStrings();
    renderPublish();
    renderDecisions();
    $('cautions').replaceChildren(...(s.cautions ?? []).map(c => el('p', {}, c)));
  });
}

function renderPhotos() {
  $('photos').replaceChildren(...state.session.photos.map(p => el('li', {}, el('button', {
    type: 'button', 'data-key': 'photo ' + p.index, onclick: () => openPhoto(p.index).catch(tell),
    'aria-current': p.index === state.photo.index ? 'true' : null,
  }, p.name, el('small', { className: p.doubtful || !p.measured ? 'care' : '' }, p.words)))));
}

function renderPhotoWords() {
  const p = state.photo;
  $('board-title').textContent = p.name;
  $('photo-words').textContent = [p.words, p.advice && `What to do: ${p.advice}.`].filter(Boolean).join(' ');
  $('checks').replaceChildren(
    ...(p.checks ?? []).map(c => el('li', { className: c.level === 'good' ? '' : 'care' }, `${c.level}: ${c.words}`, c.advice ? ` (${c.advice})` : '')),
    ...(p.warnings ?? []).map(w => el('li', {}, w)));
  $('ring-words').textContent = p.ring ? `The outermost ring found measures ${p.ring} with what you gave.` : 'No rings were found on this photo.';
  $('ring-form').hidden = !p.ring;
  for (const view of ['flat', 'taken']) {
    $('view-' + view).disabled = !p.pictures.some(q => q.view === view);
    $('view-' + view).setAttribute('aria-pressed', String(state.view === view));
  }
}

function renderMarks() {
  const marks = state.photo.marks ?? [];
  $('marks').replaceChildren(...marks.map(m => el('li', {}, el('button', {
    type: 'button', 'data-key': 'mark ' + m.id, 'aria-pressed': String(m.id === state.selected), onclick: () => select(m.id, true),
  }, glyph(who(m), Boolean(m.role)), ` ${m.label} ${m.group >= 0 ? who(m).name : ''}`, m.doubtful ? el('b', { className: m.id === state.selected ? '' : 'care' }, ' doubtful') : null, el('small', {}, m.words)))));
  if (!marks.length) $('marks').replaceChildren(el('li', {}, 'None was found.'));
}

const current = () => (state.photo.marks ?? []).find(m => m.id === state.selected);

// renderMark offers what can be done about the mark at hand, or a new one.
function renderMark() {
  const m = current(), s = state.session, box = $('mark');
  if (!state.photo.pictures.some(p => p.view === 'flat')) {
    box.replaceChildren(el('p', {}, 'The board was not found: give points of known place below.'));
    return;
  }
  const colour = el('select', { 'data-key': 'colour', id: 'colour' }, ...(m && !m.colour ? [el('option', { value: '' }, 'none (bare)')] : []), ...s.colours.map(c => el('option', { value: c, selected: c === (m ? m.colour : state.colour) }, c)));
  const exact = el('label', { className: 'check' }, el('input', { type: 'checkbox', id: 'exact', 'data-key': 'exact', checked: state.exact, onchange: e => { state.exact = e.target.checked; } }), 'place exactly where I point, not at the disc’s centre');
  if (!m) {
    colour.onchange = () => { state.colour = colour.value; };
    box.replaceChildren(
      el('p', { className: 'soft' }, 'Choose a mark on the board or in the list, or add one that was not found.'),
      el('div', { className: 'row' }, el('label', {}, 'Colour of a new mark', colour), button('Add a mark', 'add', () => begin('add'))), exact);
    return;
  }
  const reason = el('input', { id: 'reason', 'data-key': 'reason', maxLength: 300, placeholder: 'such as: sticker slipped', autocomplete: 'off' });
  const act = (kind, more = {}) => () => decide({ kind, mark: m.id, reason: reason.value, ...more });
  colour.onchange = () => decide({ kind: 'recolour', mark: m.id, reason: reason.value, colour: colour.value });
  const cause = el('input', { id: 'cause', 'data-key': 'cause', maxLength: 300, placeholder: 'such as: dart jammed', autocomplete: 'off' });
  const string = state.photo.strings?.length ? el('select', { 'data-key': 'string', id: 'string', onchange: e => decide({ kind: 'assign', mark: m.id, reason: reason.value, string: e.target.value }) },
    ...(m.string ? [] : [el('option', { value: '', selected: true }, 'none')]), ...state.photo.strings.map(t => el('option', { value: t, selected: t === m.string }, t))) : null;
  box.replaceChildren(
    el('p', {}, glyph(who(m), Boolean(m.role)), ' ', el('b', {}, m.label), ' · ', m.words),
    el('div', { className: 'row' },
      el('label', {}, 'Colour', colour),
      string ? el('label', {}, 'String', string) : null),
    el('label', {}, 'Reason, for the record', reason),
    el('div', { className: 'row' },
      m.doubtful || m.role === 'flyer' || m.role === 'sighter' || m.role === 'removed' ? button('It counts', 'count', act('count')) : null,
      button('Move', 'move', () => begin('move')),
      m.role === 'removed' ? null : button('Remove', 'remove', act('remove')),
      button('Split', 'split', () => begin('split')),
      m.role === 'sighter' ? null : button('Sighter', 'sighter', act('sighter'))),
    el('form', { className: 'row', onsubmit: e => { e.preventDefault(); decide({ kind: 'flyer', mark: m.id, reason: reason.value, cause: cause.value.trim() }); } },
      el('label', {}, 'Cause of a flyer: what went wrong at the shot', cause), button('Flyer', 'flyer', null, 'submit')),
    exact,
    button('Let go of this mark', 'let-go', () => select('')));
}

function button(words, key, onclick, type = 'button') {
  return el('button', { type, id: 'do-' + key, 'data-key': key, onclick }, words);
}

function renderNumbers() {
  const s = state.session;
  $('groups').replaceChildren(...(s.groups ?? []).flatMap(g => g.figures.map((f, i) => el('tr', {},
    el('th', { scope: 'row' }, ...(i === 0 ? [glyph(g), ` ${g.letter} ${g.name}`] : [el('span', { className: 'soft' }, `${g.letter} ${f.of}`)])),
    el('td', {}, i === 0 ? g.shots : ''), ...[f.n, f.spread, f.radius, f.sigma, f.width, f.height, f.centre].map(v => el('td', {}, String(v)))))));
  $('rule').textContent = s.rule;
  $('comparisons').replaceChildren(...(s.comparisons ?? []).map(c => el('li', {}, c)));
}

function renderStrings() {
  const strings = state.session.strings ?? [];
  $('strings-part').hidden = !strings.length;
  $('strings').replaceChildren(...strings.map(t => {
    const input = el('input', { type: 'number', min: 0, max: 1000, value: t.misses, 'data-key': 'misses ' + t.name });
    return el('li', {},
      el('span', { className: t.mismatch ? 'care' : '' }, `${t.name}, ${t.photo}: ${t.shots ? t.shots + ' shots declared, ' : ''}${t.found} marks${t.mismatch ? '. They do not add up' : ''}`),
      el('label', {}, 'Missed the board', input),
      el('button', { type: 'button', 'data-key': 'set ' + t.name, 'aria-label': 'Set the misses of string ' + t.name, onclick: () => decide({ kind: 'miss', string: t.name, misses: Number(input.value) }) }, 'Set'));
  }));
}

function renderPublish() {
  const s = state.session;
  if (!$('picture').options.length) {
    $('picture').replaceChildren(...s.pictures.map(p => el('option', { value: p.key }, p.title)));
  }
  $('publish-part').hidden = !(s.groups ?? []).length;
  showPreview();
}

let previewTimer;

function showPreview() {
  if ($('publish-part').hidden) return;
  clearTimeout(previewTimer); // drawing takes a while: not for every key of a series
  previewTimer = setTimeout(() => {
    $('preview').src = `/picture/${$('picture').value}?seen=${state.session.seen}`;
    $('preview').alt = 'The picture to publish. ' + state.session.answer;
  }, 400);
}

function renderDecisions() {
  const s = state.session, list = s.decisions ?? [];
  $('decisions').replaceChildren(...list.map(d => el('li', { className: d.fits ? '' : 'care' }, `${d.words} ${d.reason ? `Reason: ${d.reason}. ` : ''}`, el('span', { className: 'soft' }, d.time.replace('T', ' ').replace('Z', ' UTC')))));
  if (!list.length) $('decisions').replaceChildren(el('li', {}, 'Nothing yet. What you decide is kept in decisions.jsonl beside the photos.'));
  $('warnings').replaceChildren(...(s.warnings ?? []).map(w => el('li', { className: 'soft' }, w)));
}

function renderPoints() {
  $('points-form').hidden = !state.points.length;
  $('points').replaceChildren(...state.points.map((p, i) => el('li', {},
    el('span', {}, `${i + 1}: pixel ${p.x.toFixed(1)}, ${p.y.toFixed(1)}`),
    field('mm to the right', 'right', p, i), field('mm up', 'up', p, i),
    el('button', { type: 'button', 'data-key': `drop ${i}`, 'aria-label': `Drop point ${i + 1}`, onclick: () => { state.points.splice(i, 1); refresh(renderPoints); overlay(); } }, 'Drop'))));
}

const field = (words, name, p, i) => el('label', {}, words, el('input', {
  type: 'number', step: 'any', required: true, value: p[name] ?? '', 'data-key': `${name} ${i}`, oninput: e => { p[name] = e.target.value; },
}));

// --- what the person does ------------------------------------------------------------

function say(words, care) {
  $('notice').textContent = words;
  $('notice').className = care ? 'care' : '';
}

const tell = error => say(error.message, true);

function select(id, look) {
  state.selected = id;
  endPlacing();
  refresh(() => { renderMark(); renderMarks(); });
  overlay();
  if (look) board.look(id);
}

function step(by) {
  const marks = (state.photo.marks ?? []).filter(m => m.role !== 'removed');
  if (!marks.length) return;
  const i = marks.findIndex(m => m.id === state.selected);
  select(marks[(i + by + marks.length) % marks.length].id, true);
  say(`${current().label}: ${current().words}`);
}

const placingWords = {
  add: 'Point at the new mark.',
  move: 'Point at the mark’s true place.',
  split: 'Point at the second of the two.',
  point: 'Point at a place whose distance from the ring centre you know.',
};

async function begin(what) {
  if (what === 'point' && state.view !== 'taken') await setView('taken');
  state.placing = what;
  board.placing = true;
  $('placing').hidden = false;
  $('placing-words').textContent = placingWords[what] + ' Or move the picture until it lies under the +.';
  $('same-place').hidden = what !== 'split';
  say(placingWords[what]);
  $('board').focus();
  board.draw();
}

function endPlacing() {
  state.placing = '';
  board.placing = false;
  $('placing').hidden = true;
  board.draw();
}

const at = (x, y) => ({ view: state.view, x, y, exact: Boolean(state.exact) });

async function place(x, y) {
  const what = state.placing;
  if (what === 'point') {
    state.points.push({ x, y });
    endPlacing();
    renderPoints();
    overlay();
    document.querySelector(`[data-key="right ${state.points.length - 1}"]`).focus();
    return;
  }
  endPlacing();
  const reason = $('reason')?.value ?? '';
  if (what === 'add') await decide({ kind: 'add', colour: state.colour, ...at(x, y) }, true);
  else if (what) await decide({ kind: what, mark: state.selected, reason, ...at(x, y) });
}

// Decisions go to the server one after the other, as the person made them.
let queue = Promise.resolve();

function decide(wish, selectNew) {
  queue = queue.then(() => send(wish, selectNew));
  return queue;
}

async function send(wish, selectNew) {
  const before = new Set((state.photo.marks ?? []).map(m => m.id));
  const slow = wish.kind === 'ring' || wish.kind === 'points' || wish.kind === 'undo' || wish.kind === 'redo';
  if (slow) say('Working.');
  try {
    const answer = await post('/api/decide', { seen: state.session.seen, photo: state.photo.name, ...wish });
    if (wish.kind === 'points') state.points = [];
    if (selectNew) state.selected = answer.photo.marks.find(m => !before.has(m.id))?.id ?? '';
    if (!answer.photo.marks?.some(m => m.id === state.selected)) state.selected = '';
    showSession(answer.session);
    await showPhoto(answer.photo, true);
    const last = answer.session.decisions?.[0];
    say(wish.kind === 'undo' ? 'Taken back.' : wish.kind === 'redo' ? `Made again: ${answer.session.undo}` : last?.words ?? 'Done.', last && !last.fits);
  } catch (error) {
    tell(error);
    if (error.stale) await load();
    else refresh(renderMark); // a choice that was refused goes back to what holds
  }
}

async function setView(view) {
  if (!state.photo.pictures.some(p => p.view === view)) return;
  state.view = view;
  renderPhotoWords();
  await showPicture(false);
}

function toggle(what) {
  board.shown[what] = !board.shown[what];
  $('show-' + what).setAttribute('aria-pressed', String(board.shown[what]));
  board.draw();
}

// boardKey is a key pressed on the board; false when it means nothing there.
function boardKey(key) {
  const middle = () => board.middle();
  const mark = current();
  const actions = {
    Enter: state.placing ? () => place(middle().x, middle().y) : null,
    Escape: () => (state.placing ? endPlacing() : select('')),
    n: () => step(1), p: () => step(-1),
    a: () => begin('add'),
    m: mark ? () => begin('move') : null,
    x: mark ? () => decide({ kind: 'remove', mark: mark.id, reason: $('reason')?.value ?? '' }) : null,
    v: () => setView(state.view === 'flat' ? 'taken' : 'flat'),
    r: () => toggle('rings'),
  };
  const action = actions[key.length === 1 ? key.toLowerCase() : key];
  if (!action) return false;
  Promise.resolve(action()).catch(tell);
  return true;
}

for (const [id, action] of Object.entries({
  undo: () => decide({ kind: 'undo' }),
  redo: () => decide({ kind: 'redo' }),
  'view-flat': () => setView('flat'),
  'view-taken': () => setView('taken'),
  'show-rings': () => toggle('rings'),
  'show-marks': () => toggle('marks'),
  'zoom-in': () => board.zoom(1.4),
  'zoom-out': () => board.zoom(1 / 1.4),
  'zoom-fit': () => board.fit(),
  'zoom-pixels': () => board.pixels(),
  place: () => place(board.middle().x, board.middle().y),
  'same-place': () => { endPlacing(); return decide({ kind: 'split', mark: state.selected, reason: $('reason')?.value ?? '' }); },
  cancel: () => { endPlacing(); $('board').focus(); },
  point: () => begin('point'),
  save: async () => {
    say('Saving.');
    say(`Saved to ${(await post('/api/save/' + $('picture').value)).file}`);
  },
})) {
  $(id).addEventListener('click', () => Promise.resolve(action()).catch(tell));
}

$('picture').addEventListener('change', showPreview);
$('ring-form').addEventListener('submit', e => {
  e.preventDefault();
  decide({ kind: 'ring', ring: $('ring').value.trim() });
});
$('points-form').addEventListener('submit', e => {
  e.preventDefault();
  decide({ kind: 'points', points: state.points.map(p => ({ x_px: p.x, y_px: p.y, right_mm: Number(p.right), up_mm: Number(p.up) })) });
});

addEventListener('keydown', e => {
  if (!(e.ctrlKey || e.metaKey) || $('review').hidden || e.target.matches('input')) return;
  const key = e.key.toLowerCase();
  const kind = key === 'z' ? (e.shiftKey ? 'redo' : 'undo') : key === 'y' ? 'redo' : '';
  if (!kind) return;
  e.preventDefault();
  if (state.session[kind]) decide({ kind });
});

// Another tab may have decided something: look again, unless it was this one.
async function changed() {
  await queue;
  const answer = await get('/api/session');
  if (!answer.session || !state.session || answer.session.seen !== state.session.seen) await load();
}

listen(() => changed().catch(tell), alive => {
  if (!alive) say('dartfall has ended, or cannot be reached. What you decided is kept; you may close this tab.', true);
});
load().catch(tell);
