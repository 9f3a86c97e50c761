// The canvas on which a photo, its rings and its marks are shown. Picture pixels have
// their centres at whole numbers. It draws and reports what the person points at; it
// knows nothing of what that means.

const INK = '#22303a', PAPER = '#faf8f3', FIT = '#9b1b6e';
const FONT = '600 13px "Source Sans 3", "Noto Sans", "Liberation Sans", sans-serif';
const MARGIN = 200; // screen px that rings and marks are drawn beyond the screen
const LARGEST = 40; // screen pixels per picture pixel

export class Board {
  // events: select(id), place(x, y), drag(id, x, y), key(name), painted(screen pixels per picture pixel)
  constructor(canvas, events) {
    this.canvas = canvas;
    this.events = events;
    this.picture = null;
    this.size = { width: 1, height: 1 };
    this.rings = [];
    this.marks = [];
    this.layer = null;
    this.points = [];
    this.shown = { rings: false, marks: true };
    this.selected = '';
    this.placing = false;
    this.scale = 1;
    this.left = 0;
    this.top = 0;
    this.pointers = new Map();
    new ResizeObserver(() => this.resize()).observe(canvas);
    canvas.addEventListener('wheel', e => this.wheel(e), { passive: false });
    canvas.addEventListener('pointerdown', e => this.down(e));
    canvas.addEventListener('pointermove', e => this.move(e));
    canvas.addEventListener('pointerup', e => this.up(e));
    canvas.addEventListener('pointercancel', e => { this.pointers.delete(e.pointerId); this.grip = null; this.draw(); });
    canvas.addEventListener('keydown', e => this.key(e));
    canvas.addEventListener('focus', () => this.draw());
    canvas.addEventListener('blur', () => this.draw());
  }

  // show takes a picture and what lies on it. keep leaves the view where it is.
  show(picture, size, keep) {
    this.picture = picture;
    this.size = size;
    if (!keep) this.fit(); else this.draw();
  }

  overlay({ rings, marks, points }) {
    this.rings = rings.map(r => path(r));
    this.marks = marks.map(m => ({ ...m, path: path(m.edge), radius: radius(m) }));
    this.layer = null;
    this.points = points;
    this.draw();
  }

  resize() {
    const before = this.middle();
    const ratio = devicePixelRatio || 1;
    const box = this.canvas.getBoundingClientRect();
    const first = !this.width;
    this.width = box.width;
    this.height = box.height;
    this.canvas.width = Math.max(1, Math.round(box.width * ratio));
    this.canvas.height = Math.max(1, Math.round(box.height * ratio));
    if (first) this.fit(); else this.centre(before.x, before.y);
    this.paint(); // a canvas of a new size is empty: not a frame without the picture
  }

  wholeScale() { return Math.min(this.width / this.size.width, this.height / this.size.height); }

  fit() {
    if (!this.width) return;
    this.scale = this.wholeScale();
    this.centre((this.size.width - 1) / 2, (this.size.height - 1) / 2);
  }

  middle() { return this.toPicture(this.width / 2, this.height / 2); }
  toPicture(x, y) { return { x: (x - this.left) / this.scale, y: (y - this.top) / this.scale }; }
  toScreen(x, y) { return { x: x * this.scale + this.left, y: y * this.scale + this.top }; }

  centre(x, y) {
    this.left = this.width / 2 - x * this.scale;
    this.top = this.height / 2 - y * this.scale;
    this.draw();
  }

  // zoom changes the size about a screen point, the middle unless given.
  zoom(factor, x = this.width / 2, y = this.height / 2) {
    const at = this.toPicture(x, y);
    this.scale = Math.min(LARGEST, Math.max(this.wholeScale() / 2, this.scale * factor));
    this.left = x - at.x * this.scale;
    this.top = y - at.y * this.scale;
    this.draw();
  }

  pixels() { this.zoom(12 / this.scale); }

  pan(dx, dy) {
    this.left += dx;
    this.top += dy;
    this.draw();
  }

  // look brings a mark into the middle, large enough to judge it.
  look(id) {
    const m = this.marks.find(m => m.id === id);
    if (!m) return;
    this.scale = Math.min(LARGEST, Math.max(this.scale, Math.min(this.width, this.height) / (12 * m.radius)));
    this.centre(m.x, m.y);
  }

  wheel(e) {
    e.preventDefault();
    const step = e.deltaY * (e.deltaMode === 1 ? 30 : 1) * (e.ctrlKey ? 0.01 : 0.0015);
    this.zoom(Math.exp(-step), e.offsetX, e.offsetY);
  }

  down(e) {
    this.canvas.setPointerCapture(e.pointerId);
    this.pointers.set(e.pointerId, { x: e.offsetX, y: e.offsetY });
    if (this.pointers.size === 1) {
      const mark = this.placing ? null : this.markAt(e.offsetX, e.offsetY);
      this.grip = { x: e.offsetX, y: e.offsetY, moved: false, mark: mark && mark.id === this.selected ? mark : null };
    } else {
      this.grip = null; // a pinch is no click
    }
  }

  move(e) {
    const was = this.pointers.get(e.pointerId);
    if (!was) return;
    const now = { x: e.offsetX, y: e.offsetY };
    if (this.pointers.size === 2) {
      const [other] = [...this.pointers].filter(([id]) => id !== e.pointerId).map(([, p]) => p);
      const before = Math.hypot(was.x - other.x, was.y - other.y), after = Math.hypot(now.x - other.x, now.y - other.y);
      this.pan((now.x - was.x) / 2, (now.y - was.y) / 2);
      if (before > 0) this.zoom(after / before, (now.x + other.x) / 2, (now.y + other.y) / 2);
    } else if (this.grip) {
      this.grip.moved ||= Math.hypot(now.x - this.grip.x, now.y - this.grip.y) > 5;
      if (this.grip.mark && this.grip.moved) {
        this.dragged = this.toPicture(now.x, now.y);
        this.draw();
      } else if (this.grip.moved) {
        this.pan(now.x - was.x, now.y - was.y);
      }
    }
    this.pointers.set(e.pointerId, now);
  }

  up(e) {
    this.pointers.delete(e.pointerId);
    const grip = this.grip;
    this.grip = null;
    if (!grip) return;
    const at = this.toPicture(e.offsetX, e.offsetY);
    if (this.dragged) {
      this.dragged = null;
      this.events.drag(grip.mark.id, at.x, at.y);
    } else if (!grip.moved && this.placing) {
      this.events.place(at.x, at.y);
    } else if (!grip.moved) {
      this.events.select(this.markAt(e.offsetX, e.offsetY)?.id ?? '');
    }
    this.draw();
  }

  // markAt is the nearest mark under a screen point; a finger is allowed 18 px.
  markAt(x, y) {
    if (!this.shown.marks) return null;
    let best = null, least = Infinity;
    for (const m of this.marks) {
      const p = this.toScreen(m.x, m.y);
      const d = Math.hypot(p.x - x, p.y - y);
      if (d < Math.max(18, m.radius * this.scale) && d < least) { best = m; least = d; }
    }
    return best;
  }

  key(e) {
    const step = e.shiftKey ? this.scale : 48;
    const moves = { ArrowLeft: [step, 0], ArrowRight: [-step, 0], ArrowUp: [0, step], ArrowDown: [0, -step] };
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    if (moves[e.key]) this.pan(...moves[e.key]);
    else if (e.key === '+' || e.key === '=') this.zoom(1.3);
    else if (e.key === '-') this.zoom(1 / 1.3);
    else if (e.key === '0') this.fit();
    else if (e.key === '1') this.pixels();
    else if (!this.events.key(e.key)) return;
    e.preventDefault();
  }

  draw() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => { this.waiting = false; this.paint(); });
  }

  paint() {
    const c = this.canvas.getContext('2d'), ratio = this.canvas.width / (this.width || 1);
    c.setTransform(1, 0, 0, 1, 0, 0);
    c.clearRect(0, 0, this.canvas.width, this.canvas.height);
    this.events.painted(this.scale);
    if (!this.picture) return;
    const k = this.scale * ratio;
    c.setTransform(k, 0, 0, k, this.left * ratio, this.top * ratio);
    c.imageSmoothingEnabled = this.scale < 3;
    const image = this.picture.small && this.scale * ratio < 0.3 ? this.picture.small : this.picture.full;
    c.drawImage(image, -0.5, -0.5, this.size.width, this.size.height);
    if (!this.layerHolds()) this.drawLayer(ratio);
    c.setTransform(1, 0, 0, 1, 0, 0);
    c.drawImage(this.layer.canvas, (this.left - this.layer.left - MARGIN) * ratio, (this.top - this.layer.top - MARGIN) * ratio);
    c.setTransform(ratio, 0, 0, ratio, 0, 0);
    this.points.forEach((p, i) => {
      const at = this.toScreen(p.x, p.y);
      plus(c, at.x, at.y, 9);
      label(c, String(i + 1), at.x + 12, at.y - 12);
    });
    if (this.dragged) {
      const at = this.toScreen(this.dragged.x, this.dragged.y);
      plus(c, at.x, at.y, 12);
    }
    if (this.placing || document.activeElement === this.canvas) plus(c, this.width / 2, this.height / 2, 12);
  }

  // twoTone strokes a thin line that shows on any ground.
  twoTone(c, p, width, tone, dash = []) {
    c.setLineDash([]);
    c.lineWidth = 2.4 * width / this.scale;
    c.strokeStyle = 'rgba(255,255,255,.9)';
    c.stroke(p);
    c.setLineDash(dash.map(d => d / this.scale));
    c.lineWidth = width / this.scale;
    c.strokeStyle = tone;
    c.stroke(p);
    c.setLineDash([]);
  }

  paintMarks(c) {
    for (const m of this.marks) {
      if (m.role === 'removed') { this.twoTone(c, m.path, 1, '#5a6268', [2, 4]); continue; }
      const width = m.role ? 1.2 : 2.2, dash = m.doubtful ? [7, 5] : [];
      this.twoTone(c, m.path, width + 1.2, INK, dash);
      c.setLineDash(dash.map(d => d / this.scale));
      c.lineWidth = width / this.scale;
      c.strokeStyle = m.who.tone;
      c.stroke(m.path);
      c.setLineDash([]);
      if (m.id === this.selected) {
        c.lineWidth = 9 / this.scale;
        c.strokeStyle = 'rgba(34,48,58,.55)';
        c.stroke(m.path);
        this.twoTone(c, m.path, 3, m.who.tone);
      }
    }
  }

  // paintLabels puts shape, letter and number beside each mark where there is room,
  // the chosen and the doubtful first, and the shape alone on the mark where there is
  // none.
  paintLabels(c) {
    const taken = this.marks.map(m => ({ ...this.toScreen(m.x, m.y), id: m.id })).map(p => ({ x: p.x - 5, y: p.y - 5, w: 10, h: 10, id: p.id }));
    const urgency = m => (m.id === this.selected ? 0 : m.doubtful ? 1 : 2);
    c.font = FONT;
    for (const m of [...this.marks].sort((a, b) => urgency(a) - urgency(b))) {
      const p = this.toScreen(m.x, m.y), r = Math.max(6, m.radius * this.scale);
      if (p.x < -MARGIN || p.y < -MARGIN || p.x > this.width + MARGIN || p.y > this.height + MARGIN) continue;
      const text = m.label + (m.doubtful ? '?' : '');
      const w = c.measureText(text).width + 27, h = 20, off = 0.72 * r + 2;
      const spot = [[off, -off - h], [off, off], [-off - w, -off - h], [-off - w, off], [r + 4, -h / 2], [-r - 4 - w, -h / 2]]
        .map(([dx, dy]) => ({ x: p.x + dx, y: p.y + dy, w, h }))
        .find(box => m.id === this.selected || !taken.some(t => t.id !== m.id && box.x < t.x + t.w && t.x < box.x + box.w && box.y < t.y + t.h && t.y < box.y + box.h));
      if (!spot) {
        shape(c, m, p.x, p.y, Math.min(6, r * 0.7));
        continue;
      }
      taken.push(spot);
      c.fillStyle = 'rgba(250,248,243,.92)';
      c.beginPath();
      c.roundRect(spot.x, spot.y, w, h, 4);
      c.fill();
      shape(c, m, spot.x + 11, spot.y + 10, 5);
      c.fillStyle = INK;
      c.fillText(text, spot.x + 21, spot.y + 14.5);
    }
  }

  // The layer holds rings and marks as drawn once, with a margin around the screen:
  // moving the picture moves the layer, whatever the number of marks.
  layerHolds() {
    const l = this.layer;
    return l && l.key === this.layerKey() && Math.abs(this.left - l.left) <= MARGIN && Math.abs(this.top - l.top) <= MARGIN;
  }

  layerKey() { return [this.scale, this.selected, this.shown.rings, this.shown.marks, this.canvas.width, this.canvas.height].join(' '); }

  drawLayer(ratio) {
    const canvas = new OffscreenCanvas(this.canvas.width + 2 * MARGIN * ratio, this.canvas.height + 2 * MARGIN * ratio);
    const c = canvas.getContext('2d'), k = this.scale * ratio;
    c.setTransform(k, 0, 0, k, (this.left + MARGIN) * ratio, (this.top + MARGIN) * ratio);
    if (this.shown.rings) for (const r of this.rings) this.twoTone(c, r, 1.6, FIT);
    if (this.shown.marks) {
      this.paintMarks(c);
      c.setTransform(ratio, 0, 0, ratio, MARGIN * ratio, MARGIN * ratio);
      this.paintLabels(c);
    }
    this.layer = { canvas, key: this.layerKey(), left: this.left, top: this.top };
  }
}

function path(edge) {
  const p = new Path2D();
  for (let i = 0; i + 1 < edge.length; i += 2) p.lineTo(edge[i], edge[i + 1]);
  p.closePath();
  return p;
}

// radius is the mean distance of the outline from the centre, in picture pixels.
function radius(m) {
  let sum = 0;
  for (let i = 0; i + 1 < m.edge.length; i += 2) sum += Math.hypot(m.edge[i] - m.x, m.edge[i + 1] - m.y);
  return m.edge.length ? sum / (m.edge.length / 2) : 8;
}

// shape draws an accessory's shape: solid, hollow when set aside, dashed when doubtful.
function shape(c, m, x, y, r) {
  c.beginPath();
  for (const [dx, dy] of m.who.outline) c.lineTo(x + r * dx, y + r * dy);
  c.closePath();
  c.setLineDash(m.doubtful ? [2.5, 2] : []);
  c.fillStyle = m.role ? PAPER : m.who.tone;
  c.fill();
  for (const [width, tone] of m.role ? [[3.2, INK], [1.6, m.who.tone]] : [[1, INK]]) {
    c.lineWidth = width;
    c.strokeStyle = tone;
    c.stroke();
  }
  c.setLineDash([]);
}

function plus(c, x, y, r) {
  for (const [width, tone] of [[4, PAPER], [1.6, INK]]) {
    c.lineWidth = width;
    c.strokeStyle = tone;
    c.beginPath();
    c.moveTo(x - r, y); c.lineTo(x - 3, y);
    c.moveTo(x + 3, y); c.lineTo(x + r, y);
    c.moveTo(x, y - r); c.lineTo(x, y - 3);
    c.moveTo(x, y + 3); c.lineTo(x, y + r);
    c.stroke();
  }
}

function label(c, text, x, y) {
  c.font = FONT;
  c.fillStyle = PAPER;
  c.fillRect(x - 3, y - 12, c.measureText(text).width + 6, 16);
  c.fillStyle = INK;
  c.fillText(text, x, y);
}
