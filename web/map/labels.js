/**
 * Where the labels of marks go, so that none lies on another: right of the mark, else left, below or
 * above it, or at one of its corners; where no side is free the label is left out, the least important first. The names of towns and
 * roads come after the flight's own labels and before those of receivers. Marks themselves and the map's
 * controls are kept free as well, but the chosen flight's labels may lie on symbols that are drawn below them.
 */

const SIDES = ['right', 'left', 'below', 'above', 'right-above', 'right-below', 'left-above', 'left-below'];
const GAP_PX = 4;
const EDGE_PX = 2;
const FOREMOST = 1000; // the chosen flight's payload and landing

/** @param {{place: (taken: any[]) => any[]}} names of the maps, which stand between marks and receivers */
export function createLabels(map, names) {
  /** Sizes by label, read anew only when its text changed. @type {WeakMap<HTMLElement, any>} */
  const sizes = new WeakMap();
  let scale = '';

  function sizeOf(label) {
    const known = sizes.get(label);
    if (known?.text === label.textContent && known.scale === scale) return known;
    const found = { text: label.textContent, scale, width: label.offsetWidth, height: label.offsetHeight };
    if (found.width > 0) sizes.set(label, found);
    return found;
  }

  function marks() {
    const found = [];
    map.eachLayer((layer) => {
      if (layer.label !== undefined) found.push(layer);
    });
    return found.sort((a, b) => rank(b) - rank(a));
  }

  function place() {
    scale = getComputedStyle(document.documentElement).fontSize;
    const view = map.getSize();
    const taken = controls(map);
    const all = marks().map((mark) => ({ mark, at: map.latLngToContainerPoint(mark.getLatLng()) }));
    const symbols = all.map(({ mark, at }) => around(at, mark.half, mark.half));
    for (const below of [false, true]) {
      all.forEach((one, number) => {
        if (Boolean(one.mark.belowTowns) === below) put(one, number);
      });
      if (!below) taken.push(...names.place([...taken, ...symbols.filter((_, n) => !all[n].mark.belowTowns)]));
    }

    /** The symbols that this one's label may cover. */
    function below(mark, number) {
      if (rank(mark) < FOREMOST) return [];
      return symbols.filter((_, n) => n !== number && all[n].mark.options.zIndexOffset < mark.options.zIndexOffset);
    }

    function put({ mark, at }, number) {
      const { label, half } = mark;
      if (label === null || label.textContent === '') return;
      const { width, height } = sizeOf(label);
      const sides = half === 0 ? ['centre'] : SIDES; // a name alone, without a symbol
      const boxes = sides.map((side) => beside(side, at, half, width, height));
      const free = freeOf(boxes, view, taken, symbols.filter((_, n) => n !== number), below(mark, number));
      const side = free >= 0 ? sides[free] : null;
      if (side !== null) taken.push(boxes[free]);
      if (label.dataset.side !== (side ?? 'none')) label.dataset.side = side ?? 'none';
    }
  }

  map.on('moveend zoomend resize', place);
  return { place };
}

/** The first side that nothing lies on; else the first where nothing lies but what it may cover. */
function freeOf(boxes, view, taken, symbols, coverable) {
  const free = (all) => boxes.findIndex((box) => fits(box, view) && !all.some((other) => meet(box, other)));
  const clear = free([...taken, ...symbols]);
  return clear < 0 && coverable.length > 0 ? free([...taken, ...symbols.filter((one) => !coverable.includes(one))]) : clear;
}

/** By what stands in front, unless a mark says otherwise. */
const rank = (mark) => mark.rank ?? mark.options.zIndexOffset;

function beside(side, at, half, width, height) {
  if (side === 'right') return box(at.x + half + GAP_PX, at.y - height / 2, width, height);
  if (side === 'left') return box(at.x - half - GAP_PX - width, at.y - height / 2, width, height);
  if (side === 'below') return box(at.x - width / 2, at.y + half + GAP_PX, width, height);
  if (side === 'above') return box(at.x - width / 2, at.y - half - GAP_PX - height, width, height);
  const [across, along] = side.split('-');
  if (along !== undefined) {
    const left = across === 'right' ? at.x + half : at.x - half - width;
    return box(left, along === 'above' ? at.y - half - height : at.y + half, width, height);
  }
  return box(at.x - width / 2, at.y - height / 2, width, height);
}

const box = (left, top, width, height) => ({ left, top, right: left + width, bottom: top + height });
const around = (at, x, y) => box(at.x - x, at.y - y, 2 * x, 2 * y);

/** Wholly in view; one whose mark is out of view is drawn where nobody sees it. */
function fits({ left, top, right, bottom }, view) {
  const seen = right > 0 && bottom > 0 && left < view.x && top < view.y;
  return !seen || (left >= EDGE_PX && top >= EDGE_PX && right <= view.x - EDGE_PX && bottom <= view.y - EDGE_PX);
}

const meet = (a, b) => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;

/** What lies over the map: at its corners, and what the page lays over it. */
function controls(map) {
  const { left, top } = map.getContainer().getBoundingClientRect();
  const over = map.getContainer().parentElement?.querySelectorAll('.leaflet-control, .over-map') ?? [];
  return [...over].map((node) => {
    const at = node.getBoundingClientRect();
    return box(at.left - left, at.top - top, at.width, at.height);
  });
}
