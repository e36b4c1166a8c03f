/**
 * Making and changing nodes. Texts from the air go through textContent only: nothing here, and
 * nothing that uses it, ever reads markup from data.
 */

const SVG = 'http://www.w3.org/2000/svg';

/** A node of the page's own HTML. @param {string} id @returns {HTMLElement} */
export function byId(id) {
  const node = document.getElementById(id);
  if (node === null) throw new Error(`the page has no #${id}`);
  return node;
}

/**
 * @param {string} tag
 * @param {Record<string, any>} [attributes] `class`, `text`, `on` (listeners), or any attribute
 * @param {...(Node | string | null)} children
 * @returns {HTMLElement}
 */
export function el(tag, attributes = {}, ...children) {
  return dress(document.createElement(tag), attributes, children);
}

/** The same for SVG. @returns {SVGElement} */
export function svg(tag, attributes = {}, ...children) {
  return dress(document.createElementNS(SVG, tag), attributes, children);
}

function dress(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name === 'text') node.textContent = value;
    else if (name === 'on') {
      for (const [event, listener] of Object.entries(value)) node.addEventListener(event, listener);
    } else node.setAttribute(name, value === true ? '' : String(value));
  }
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
}

/** Writes only what differs, so that a page at rest is not laid out again. */
export function setText(node, text) {
  const wanted = text ?? '';
  if (node.textContent !== wanted) node.textContent = wanted;
}

export function setAttribute(node, name, value) {
  if (value === null || value === undefined || value === false) {
    if (node.hasAttribute(name)) node.removeAttribute(name);
  } else if (node.getAttribute(name) !== String(value)) node.setAttribute(name, String(value));
}

export function setShown(node, shown) {
  if (node.hidden === shown) node.hidden = !shown;
}

/**
 * Makes the children of `parent` follow `items`, keeping the node of an item that stays.
 * @template Item
 * @param {HTMLElement} parent
 * @param {Item[]} items
 * @param {(item: Item) => string} keyOf
 * @param {(item: Item) => {node: HTMLElement, update: (item: Item) => void}} make
 * @param {Map<string, {node: HTMLElement, update: (item: Item) => void}>} known
 */
export function follow(parent, items, keyOf, make, known) {
  const keys = new Set(items.map(keyOf));
  for (const [key, row] of known) {
    if (!keys.has(key)) {
      row.node.remove();
      known.delete(key);
    }
  }
  let place = parent.firstElementChild;
  for (const item of items) {
    const key = keyOf(item);
    let row = known.get(key);
    if (row === undefined) {
      row = make(item);
      known.set(key, row);
    }
    if (row.node === place) place = place.nextElementSibling;
    else parent.insertBefore(row.node, place);
    row.update(item);
  }
}
