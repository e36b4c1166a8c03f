/** Why a page over plain http lacks what browsers give to secure pages alone (W3C Secure Contexts). */

export const INSECURE =
  'Browsers tell a position only to pages over https, or on the station’s own machine. Have the station started ' +
  'with --https, then open this page again with https:// before its address; the browser warns once.';

/** For the page's help: whether it survives a reload without the station. @param {boolean} keeps */
export const keepsWords = (keeps) =>
  keeps
    ? 'This device keeps the page and the last state for a reload without the station.'
    : 'This device does not keep the page: without the station it cannot be loaded again. Browsers keep pages over ' +
      'https with a certificate that they trust, and on the station’s own machine at 127.0.0.1.';
