/** Run in the page by overlaps.py: boxes of what is written, what lies over the map, and what is cut. */
async () => {
  const plain = ({ left, top, right, bottom }) => ({ left, top, right, bottom });
  const whole = { left: 0, top: 0, right: innerWidth, bottom: innerHeight };
  const meet = (a, b) => ({
    left: Math.max(a.left, b.left), top: Math.max(a.top, b.top),
    right: Math.min(a.right, b.right), bottom: Math.min(a.bottom, b.bottom),
  });
  const empty = ({ left, top, right, bottom }) => right - left < 1 || bottom - top < 1;
  const shown = (node) => node.checkVisibility({ visibilityProperty: true, opacityProperty: true });
  const mapNode = document.querySelector('.map');
  const labels = [], over = [], symbols = [];
  if (mapNode && shown(mapNode)) {
    const { left, top, right, bottom } = mapNode.getBoundingClientRect();
    const map = { left: left + 1, top: top + 1, right: right - 1, bottom: bottom - 1 }; // within its border
    const level = (node) => Number(node.closest('.mark-icon')?.style.zIndex ?? 0);
    for (const node of mapNode.querySelectorAll('.mark > :is(.mark-label, [class$="-label"])')) {
      const box = node.getBoundingClientRect();
      if (node.textContent === '' || !shown(node) || empty(meet(box, map))) continue;
      const cut = box.left < map.left - 1 || box.top < map.top - 1 || box.right > map.right + 1 || box.bottom > map.bottom + 1;
      labels.push({ text: node.textContent, kind: node.className, ...plain(box), cut, level: level(node) });
    }
    for (const { text, box } of mapNode.querySelector('canvas.names').written) {
      const at = { left: box.left + map.left, top: box.top + map.top, right: box.right + map.left, bottom: box.bottom + map.top };
      if (empty(meet(at, map))) continue;
      labels.push({ text, kind: 'name', ...at, cut: false, level: -1 });
    }
    for (const node of mapNode.querySelectorAll('.mark > :is(.tag, .symbol)')) {
      const box = node.getBoundingClientRect();
      if (!empty(meet(box, map))) symbols.push({ text: node.textContent, kind: String(node.className.baseVal ?? node.className), ...plain(box), level: level(node) });
    }
    for (const node of document.querySelectorAll('.map .leaflet-control, .left > .now, .place-card')) {
      const box = node.getBoundingClientRect();
      if (shown(node) && !empty(box)) over.push({ text: node.className, kind: 'over', ...plain(box), cut: false });
    }
  }
  const texts = [];
  let number = 0;
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const text = node.textContent.trim();
    const parent = node.parentElement;
    if (text === '' || parent.closest('script, style, noscript, dialog, option, .mark') || !shown(parent)) continue;
    const range = document.createRange();
    number += 1;
    range.selectNodeContents(node);
    for (const rect of range.getClientRects()) {
      let seen = plain(rect), cut = false, hidden = false, scrolled = false;
      for (let up = parent; up && up !== document.documentElement; up = up.parentElement) {
        const style = getComputedStyle(up);
        if (style.clipPath !== 'none') hidden = true;
        if (style.overflowX === 'visible' && style.overflowY === 'visible') continue;
        const room = up.getBoundingClientRect();
        const scrollsX = /auto|scroll/.test(style.overflowX), scrollsY = /auto|scroll/.test(style.overflowY);
        if (!scrollsX && (seen.right > room.right + 1 || seen.left < room.left - 1)) cut = true;
        if (!scrollsY && (seen.bottom > room.bottom + 2 || seen.top < room.top - 2)) cut = true;
        if (style.textOverflow === 'ellipsis' && up.scrollWidth > up.clientWidth + 1) cut = true;
        const before = seen;
        seen = meet(seen, room);
        scrolled ||= seen.top > before.top + 1 || seen.bottom < before.bottom - 1;
        // wholly out of a box that scrolls, or of a line that shows the interval only where it has room
        if (empty(seen)) { hidden ||= scrollsX || scrollsY || parent.matches('.reporting-interval'); break; }
      }
      if (hidden || empty(rect)) continue;
      if (!empty(seen) && (seen.right > innerWidth + 1 || seen.bottom > innerHeight + 1 || seen.left < -1 || seen.top < -1)) cut = true;
      seen = meet(seen, whole);
      const kind = parent.closest('[class]')?.className ?? '';
      if (empty(seen)) {
        if (cut) texts.push({ text, kind, number, ...plain(rect), cut, covered: false });
        continue;
      }
      const own = (x, y) => {
        const top = document.elementFromPoint(x, y);
        return top !== null && (parent.contains(top) || top.contains(parent));
      };
      const [x, y, dx, dy] = [(seen.left + seen.right) / 2, (seen.top + seen.bottom) / 2, (seen.right - seen.left) / 2 - 2, (seen.bottom - seen.top) / 4];
      const at = [own(x, y), own(x - dx, y - dy), own(x + dx, y - dy), own(x - dx, y + dy), own(x + dx, y + dy)];
      if (!at.some(Boolean)) continue;
      // a page that scrolls goes on under its tabs
      const tabs = document.querySelector('.tabs')?.getBoundingClientRect();
      const beneathTabs = document.body.scrollHeight > document.body.clientHeight + 1 && tabs && seen.bottom > tabs.top && !parent.closest('.tabs');
      texts.push({ text, kind, number, ...seen, cut, covered: at.some((one) => !one) && !scrolled && !beneathTabs });
    }
  }
  const box = mapNode && shown(mapNode) ? mapNode.getBoundingClientRect() : { width: 0, height: 0 };
  return { labels, over, symbols, texts, map: [box.width, box.height] };
}
