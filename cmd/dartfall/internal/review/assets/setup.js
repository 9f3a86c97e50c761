// The page before there are photos: drop them, say what the board is, have them
// measured.

import { post, upload, el } from './api.js';

const $ = id => document.getElementById(id);
let ready = false;

export function openSetup(setup, say, done) {
  $('setup').hidden = false;
  $('title').textContent = 'A new session';
  $('answer').textContent = 'Drop the photos of your board and say how large its rings are.';
  if (!ready) prepare(setup, say, done);
  ready = true;
  show(setup);
  if (setup.trouble) say(setup.trouble, true);
}

function show(setup) {
  $('dropped').replaceChildren(...setup.photos.map(p => el('li', {}, p)));
  $('start').disabled = setup.running || !setup.photos.length;
  $('progress').hidden = !setup.running;
  $('progress').max = Math.max(1, setup.photos.length);
  $('progress').value = setup.done;
}

function prepare(setup, say, done) {
  $('stickers').replaceChildren(...setup.colours.map(c => el('li', {},
    el('label', { className: 'check' }, el('input', { type: 'checkbox', value: c }), c),
    el('input', { type: 'text', 'aria-label': `What was shot with ${c} stickers`, placeholder: 'accessory', autocomplete: 'off' }),
    el('input', { type: 'number', min: 0, max: 1000, 'aria-label': `Shots with ${c} stickers`, placeholder: 'shots' }))));
  // Who types a name or a number means the colour.
  $('stickers').addEventListener('input', e => {
    if (e.target.type !== 'checkbox' && e.target.value) e.target.closest('li').querySelector('[type=checkbox]').checked = true;
  });
  const send = async files => {
    for (const file of files) {
      say(`Taking ${file.name}.`);
      try {
        show(await upload(file.name, file));
        say(`${file.name} is there.`);
      } catch (error) {
        say(error.message, true);
      }
    }
  };
  $('files').addEventListener('change', e => send([...e.target.files]));
  const drop = $('drop');
  for (const type of ['dragover', 'dragleave', 'drop']) {
    drop.addEventListener(type, e => {
      e.preventDefault();
      drop.classList.toggle('over', type === 'dragover');
    });
  }
  drop.addEventListener('drop', e => send([...e.dataTransfer.files]));
  $('given').addEventListener('submit', async e => {
    e.preventDefault();
    const stickers = [...$('stickers').children].filter(li => li.querySelector('[type=checkbox]').checked).map(li => ({
      colour: li.querySelector('[type=checkbox]').value,
      accessory: li.querySelector('[type=text]').value.trim(),
      shots: Number(li.querySelector('[type=number]').value) || 0,
    }));
    try {
      show(await post('/api/start', {
        title: $('session-title').value, rings: $('rings').value.trim(), distance: $('distance').value.trim(),
        sticker_size: $('sticker-size').value.trim(), bare: $('bare').checked, stickers,
      }));
      say('Measuring. This takes some seconds a photo.');
      await done();
    } catch (error) {
      say(error.message, true);
    }
  });
}
