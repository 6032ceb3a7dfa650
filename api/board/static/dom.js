// Building and refreshing the page. Text only ever enters as text nodes.

const SVG = 'http://www.w3.org/2000/svg';

function fill(e, attributes, children) {
  for (const [k, v] of Object.entries(attributes ?? {})) {
    if (v === undefined || v === null || v === false) continue;
    if (k.startsWith('on')) e.addEventListener(k.slice(2), v);
    else e.setAttribute(k, v === true ? '' : v);
  }
  for (const c of children.flat(Infinity)) if (c !== undefined && c !== null && c !== false) e.append(c);
  return e;
}

/** put makes children all that an element holds; nothing stands for no child. */
export function put(e, ...children) {
  e.replaceChildren();
  return fill(e, {}, children);
}

/** h makes an element of HTML, s one of SVG. */
export const h = (tag, attributes, ...children) => fill(document.createElement(tag), attributes, children);
export const s = (tag, attributes, ...children) => fill(document.createElementNS(SVG, tag), attributes, children);

/**
 * patch makes the children of a list those of items, in their order. An item
 * is { key, print, build }; an element stays as long as its print does, so
 * that a refresh every few seconds neither moves the focus nor wakes a screen
 * reader. Open details stay open.
 */
export function patch(parent, items) {
  const before = new Map([...parent.children].map((e) => [e.dataset.key, e]));
  const active = document.activeElement;
  let at = parent.firstElementChild;
  for (const item of items) {
    let e = before.get(item.key);
    before.delete(item.key);
    if (!e || e.dataset.print !== item.print) {
      const fresh = item.build();
      fresh.dataset.key = item.key;
      fresh.dataset.print = item.print;
      if (e) {
        for (const d of e.querySelectorAll('details[open]')) {
          fresh.querySelector(`details[data-name="${d.dataset.name}"]`)?.setAttribute('open', '');
        }
        const held = e.contains(active) ? active.dataset.focus : undefined;
        if (at === e) at = fresh;
        e.replaceWith(fresh);
        if (held) fresh.querySelector(`[data-focus="${held}"]`)?.focus({ preventScroll: true });
      }
      e = fresh;
    }
    if (e !== at) parent.insertBefore(e, at);
    else at = at.nextElementSibling;
  }
  for (const e of before.values()) e.remove();
}

let names = 0;
export const unique = (stem) => `${stem}-${++names}`;
