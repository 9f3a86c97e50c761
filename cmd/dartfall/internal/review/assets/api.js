// Talks to the server this page came from. An error holds what to tell the person.

async function answer(response) {
  if (response.ok) return response.json();
  const error = new Error((await response.text()).trim());
  error.stale = response.status === 409;
  throw error;
}

export const get = async path => answer(await fetch(path));

export const post = async (path, body) => answer(await fetch(path, {
  method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify(body ?? {}),
}));

export const upload = async (name, file) => answer(await fetch('/api/photos?name=' + encodeURIComponent(name), {
  method: 'POST', headers: { 'Content-Type': 'application/octet-stream' }, body: file,
}));

// listen keeps the server alive while this tab is open and calls changed when another
// tab, or the server itself, has news; alive says whether the server is there.
export function listen(changed, alive) {
  const source = new EventSource('/api/tab');
  source.addEventListener('changed', changed);
  source.addEventListener('session', changed);
  source.onopen = () => alive(true);
  source.onerror = () => alive(false);
}

// picture loads a picture ready for drawing, with a reduced one for small sizes.
export async function picture(path) {
  const response = await fetch(path);
  if (!response.ok) throw new Error((await response.text()).trim());
  const full = await createImageBitmap(await response.blob());
  const small = full.width > 2000
    ? await createImageBitmap(full, { resizeWidth: Math.round(full.width / 4), resizeHeight: Math.round(full.height / 4), resizeQuality: 'high' })
    : null;
  return { full, small, close() { full.close(); small?.close(); } };
}

// el makes an element: properties, attributes for names with a dash, then children.
export function el(tag, props = {}, ...children) {
  const e = document.createElement(tag);
  for (const [name, value] of Object.entries(props)) {
    if (value === undefined || value === null) continue;
    if (name.includes('-')) e.setAttribute(name, value); else e[name] = value;
  }
  e.append(...children.filter(c => c !== null && c !== undefined));
  return e;
}

// glyph is an accessory's shape as a small drawing.
export function glyph(id, hollow) {
  const svg = document.createElementNS('http://www.w3.org/2000/svg', 'svg');
  svg.setAttribute('viewBox', '-2 -2 4 4');
  svg.setAttribute('class', 'glyph');
  svg.setAttribute('aria-hidden', 'true');
  const shape = document.createElementNS(svg.namespaceURI, 'polygon');
  shape.setAttribute('points', id.outline.map(p => p.join(',')).join(' '));
  shape.setAttribute('fill', hollow ? 'none' : id.tone);
  shape.setAttribute('stroke', hollow ? id.tone : '#22303a');
  shape.setAttribute('stroke-width', hollow ? '.5' : '.15');
  svg.append(shape);
  return svg;
}
