/** What is taken of the map: boxes by squares of the plane, so that a question looks at neighbours alone. */

/** @typedef {{left: number, top: number, right: number, bottom: number}} Box in pixels of the map's view */

const SQUARE_PX = 128;

export class TakenBoxes {
  constructor() {
    /** @type {Map<number, Box[]>} */
    this.cells = new Map();
  }

  /** The numbers of the squares that a box touches. */
  near({ left, top, right, bottom }) {
    const found = [];
    for (let x = Math.floor(left / SQUARE_PX); x <= Math.floor(right / SQUARE_PX); x += 1) {
      for (let y = Math.floor(top / SQUARE_PX); y <= Math.floor(bottom / SQUARE_PX); y += 1) found.push(x * 100_003 + y);
    }
    return found;
  }

  /** @param {Box} box */
  add(box) {
    for (const cell of this.near(box)) {
      const held = this.cells.get(cell);
      if (held === undefined) this.cells.set(cell, [box]);
      else held.push(box);
    }
  }

  /** Whether none of them touches it. @param {Box} box */
  free(box) {
    for (const cell of this.near(box)) {
      for (const other of this.cells.get(cell) ?? []) {
        if (box.left < other.right && other.left < box.right && box.top < other.bottom && other.top < box.bottom) return false;
      }
    }
    return true;
  }
}
