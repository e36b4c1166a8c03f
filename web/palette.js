// Runs before the first paint, so that a night page never flashes white.
(() => {
  let chosen = null;
  try {
    chosen = localStorage.getItem('leeward.palette');
  } catch {
    // a browser that keeps nothing still has a page
  }
  const dark = matchMedia('(prefers-color-scheme: dark)').matches;
  document.documentElement.dataset.palette = JSON.parse(chosen ?? 'null') ?? (dark ? 'night' : 'day');
})();
