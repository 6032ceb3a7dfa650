"use strict";
(async () => {
  const $ = (id) => document.getElementById(id);
  // make builds an element; text is only ever set as text, never as markup.
  const make = (tag, props = {}, ...children) => {
    const e = document.createElement(tag);
    for (const [k, v] of Object.entries(props)) {
      if (k.startsWith("on")) e.addEventListener(k.slice(2), v);
      else if (v === true) e.setAttribute(k, "");
      else if (v !== false && v != null) e.setAttribute(k, v);
    }
    e.append(...children.filter((c) => c != null));
    return e;
  };
  const main = $("main");
  let doc;
  try {
    const r = await fetch("openapi.json");
    if (!r.ok) throw new Error("it answers " + r.status);
    doc = await r.json();
  } catch (e) {
    main.replaceChildren(make("p", { role: "alert", class: "bad" }, "openapi.json cannot be read: " + e.message));
    return;
  }
  const follow = (x) => {
    while (x && x.$ref) x = x.$ref.slice(2).split("/").reduce((o, k) => o[k.replaceAll("~1", "/").replaceAll("~0", "~")], doc);
    return x;
  };
  const base = new URL(doc.servers[0].url, location.href).href.replace(/\/$/, "");

  const operations = [];
  for (const [path, item] of Object.entries(doc.paths)) {
    for (const method of ["get", "post", "put", "patch", "delete"]) {
      if (item[method]) operations.push({ ...item[method], path, method: method.toUpperCase() });
    }
  }
  const byID = new Map(operations.map((o) => [o.operationId, o]));
  const badge = (m) => make("span", { class: "method " + m }, m);

  // The list, by tag.
  const groups = doc.tags.map((tag) => {
    const links = operations.filter((o) => o.tags[0] === tag.name).map((o) => {
      const a = make("a", { href: "#" + encodeURIComponent(o.operationId) }, badge(o.method), " " + o.summary, make("br"), make("code", {}, o.path));
      return { a, li: make("li", {}, a), id: o.operationId, text: [o.operationId, o.summary, o.method, o.path, tag.name].join(" ").toLowerCase() };
    });
    const details = make("details", {}, make("summary", {}, tag.name), make("p", { class: "quiet" }, tag.description), make("ul", {}, ...links.map((l) => l.li)));
    return { details, links };
  }).filter((g) => g.links.length);
  $("list").append(...groups.map((g) => g.details));
  groups[0].details.open = true;
  const filter = () => {
    const words = $("filter").value.toLowerCase().split(/\s+/).filter(Boolean);
    let n = 0;
    for (const g of groups) {
      let here = 0;
      for (const l of g.links) {
        l.li.hidden = !words.every((w) => l.text.includes(w));
        if (!l.li.hidden) here++;
      }
      g.details.hidden = here === 0;
      if (words.length) g.details.open = here > 0;
      n += here;
    }
    $("found").textContent = words.length ? n + " of " + operations.length + " operations" : operations.length + " operations";
  };
  $("filter").addEventListener("input", filter);
  filter();
  if (matchMedia("(max-width: 52rem)").matches) $("menu").open = false;

  let token = "";
  const shell = (s) => "'" + s.replaceAll("'", "'\\''") + "'";
  const sample = (p) => {
    const x = Array.isArray(p.example) ? p.example[0] : p.example;
    return x == null ? "" : typeof x === "object" ? new URLSearchParams(x).toString() : String(x);
  };
  const kind = (schema) => {
    const s = follow(schema) || {};
    if (s.type === "array") return "repeats";
    let t = schema.$ref ? schema.$ref.split("/").pop() : s.type || "";
    if (s.minimum != null) t += " ≥ " + s.minimum;
    if (s.exclusiveMinimum != null) t += " > " + s.exclusiveMinimum;
    if (s.maximum != null) t += " ≤ " + s.maximum;
    return t;
  };

  // field is one parameter: its words and its input.
  const field = (p, i, changed) => {
    const schema = follow(p.schema) || {};
    const id = "p" + i;
    const input = schema.enum
      ? make("select", { id, "aria-describedby": id + "d", onchange: changed }, ...(p.required ? [] : [make("option", { value: "" }, "–")]), ...schema.enum.map((v) => make("option", { value: v }, v)))
      : make("input", { id, "aria-describedby": id + "d", autocomplete: "off", spellcheck: "false", placeholder: sample(p) && "e.g. " + sample(p), required: p.required, oninput: changed });
    if (p.required && !schema.enum) input.value = sample(p);
    return { p, input, element: make("div", { class: "field" },
      make("label", { for: id }, p.name), make("span", { class: "quiet" }, " " + [p.in, p.required && "required", kind(p.schema)].filter(Boolean).join(", ")),
      make("p", { id: id + "d", class: "quiet" }, p.description || ""), input) };
  };

  const schemaLink = (s) => {
    if (!s) return null;
    const names = [...new Set((JSON.stringify(s).match(/#\/components\/schemas\/[A-Za-z]+/g) || []).map((r) => r.split("/").pop()))];
    return make("span", {}, ...names.flatMap((n, i) => [i ? ", " : " ", make("a", { href: "#schema:" + n }, n)]));
  };

  const show = (o) => {
    const params = (o.parameters || []).map(follow);
    let body = null, media = null, text = null;
    if (o.requestBody) {
      [media, body] = Object.entries(o.requestBody.content)[0];
      text = make("textarea", { id: "body", spellcheck: "false", oninput: () => update() });
    }
    const fields = params.map((p, i) => field(p, i, () => update()));
    const curl = make("pre", { tabindex: "0", "aria-label": "curl line" });
    const result = make("div", { "aria-live": "polite" });
    const request = () => {
      let path = o.path;
      const query = [], headers = [];
      for (const { p, input } of fields) {
        const v = input.value;
        if (p.in === "path") path = path.replace("{" + p.name + "}", encodeURIComponent(v));
        else if (v === "") continue;
        else if (p.in === "header") headers.push([p.name, v]);
        else if (follow(p.schema).type === "object") query.push(new URLSearchParams(v).toString());
        else query.push(encodeURIComponent(p.name) + "=" + encodeURIComponent(v));
      }
      if (text && text.value.trim()) headers.push(["Content-Type", media]);
      return { url: base + path + (query.length ? "?" + query.join("&") : ""), headers, body: text && text.value.trim() ? text.value : undefined };
    };
    const open = o.security && o.security.length === 0;
    const update = () => {
      const q = request();
      const parts = ["curl -sS"];
      if (o.method !== "GET") parts.push("-X " + o.method);
      if (!open) parts.push('-H "Authorization: Bearer $TOKEN"');
      for (const [k, v] of q.headers) parts.push("-H " + shell(k + ": " + v));
      if (q.body) parts.push("--data-binary " + shell(q.body));
      curl.textContent = [...parts, shell(q.url)].join(" ");
    };
    const send = async (event) => {
      event.preventDefault();
      const q = request();
      const headers = new Headers(q.headers);
      if (!open && token) headers.set("Authorization", "Bearer " + token);
      result.replaceChildren(make("p", {}, "Sending …"));
      try {
        const r = await fetch(q.url, { method: o.method, headers, body: q.body, cache: "no-store", credentials: "omit" });
        const type = r.headers.get("Content-Type") || "";
        let shown;
        if (type.startsWith("image/")) {
          shown = make("img", { alt: "The answer, as a picture", src: URL.createObjectURL(await r.blob()) });
        } else {
          let t = await r.text();
          // JSON is laid out by its text, so that numbers keep their digits.
          if (type.includes("json")) t = layOut(t);
          shown = make("pre", { tabindex: "0", "aria-label": "body of the answer" }, t || "(no body)");
        }
        const heads = [...r.headers].flatMap(([k, v]) => [make("dt", {}, make("code", {}, k)), make("dd", {}, make("code", {}, v))]);
        result.replaceChildren(make("p", { class: r.ok ? "good" : "bad" }, make("strong", {}, r.status + " " + r.statusText)), shown,
          make("details", {}, make("summary", {}, "Headers"), make("dl", {}, ...heads)));
      } catch (e) {
        result.replaceChildren(make("p", { class: "bad" }, "No answer: " + e.message));
      }
    };
    const must = fields.filter((f) => f.p.required), may = fields.filter((f) => !f.p.required);
    const form = make("form", { onsubmit: send });
    if (must.length) form.append(make("h3", {}, "Parameters"), ...must.map((f) => f.element));
    if (may.length) {
      form.append(make("details", { open: may.length <= 8 }, make("summary", {}, may.length + " optional parameters"), make("div", { class: "grid" }, ...may.map((f) => f.element))));
    }
    if (text) {
      const examples = Object.entries(body.examples || {});
      if (body.example !== undefined) examples.push(["example", { summary: "Example", value: body.example }]);
      const use = (v) => { text.value = JSON.stringify(v, null, 1); };
      // What stands alone comes first; the document sorts by name.
      const first = examples.find(([n]) => n === "emptying" || n === "placement") || examples[0];
      if (first) use(first[1].value);
      const choice = make("select", { id: "example", onchange: () => { use(examples[choice.selectedIndex][1].value); update(); } },
        ...examples.map(([n, e]) => make("option", { selected: n === first[0] }, e.summary)));
      form.append(make("h3", {}, "Body"), make("p", { class: "quiet" }, o.requestBody.description || "", " " + media, schemaLink(body.schema)));
      if (examples.length) form.append(make("label", { for: "example" }, "Example"), choice);
      form.append(make("label", { for: "body" }, "Body to send"), text);
    }
    const secret = make("input", { id: "token", type: "password", autocomplete: "off", spellcheck: "false", oninput: (e) => { token = e.target.value.trim(); } });
    secret.value = token;
    form.append(make("h3", {}, "Try it"));
    if (open) form.append(make("p", { class: "quiet" }, "Needs no token."));
    else form.append(make("label", { for: "token" }, "Bearer token"), make("p", { class: "quiet" }, "Stays in this page and is gone when it is closed."), secret);
    if (o.method !== "GET" && !o.path.endsWith("/_search") && !/^(get|search)/.test(o.operationId)) {
      form.append(make("p", { class: "quiet" }, "This is sent to the service that you are looking at, and what it writes stays there."));
    }
    form.append(make("div", { class: "row" }, make("button", { class: "main", type: "submit" }, "Send"),
      make("button", { type: "button", onclick: async (e) => {
        try { await navigator.clipboard.writeText(curl.textContent); e.target.textContent = "Copied"; }
        catch { getSelection().selectAllChildren(curl); e.target.textContent = "Selected: copy it"; }
      } }, "Copy curl")), curl, result);
    const answers = Object.entries(o.responses).flatMap(([status, r]) => {
      const a = follow(r);
      const content = Object.entries(a.content || {});
      return [make("dt", {}, make("strong", {}, status)), make("dd", {}, a.description, ...content.flatMap(([m, c]) => [make("br"), make("code", {}, m), schemaLink(c.schema)]))];
    });
    main.replaceChildren(
      make("h2", {}, o.summary), make("p", {}, badge(o.method), " ", make("span", { class: "path" }, o.path)),
      ...(o.description || "").split("\n\n").filter(Boolean).map((t) => make("p", {}, t)),
      form, make("h3", {}, "Answers"), make("dl", {}, ...answers));
    update();
  };

  // layOut indents JSON without reading its numbers.
  const layOut = (s) => {
    try { JSON.parse(s); } catch { return s; }
    let out = "", depth = 0, quoted = false;
    const line = () => "\n" + " ".repeat(depth);
    for (let i = 0; i < s.length; i++) {
      const c = s[i];
      if (quoted) {
        out += c;
        if (c === "\\") out += s[++i];
        else if (c === '"') quoted = false;
      } else if (c === '"') { quoted = true; out += c; }
      else if (c === "{" || c === "[") {
        const rest = s.slice(i + 1).match(/^\s*([}\]])/);
        if (rest) { out += c + rest[1]; i += rest[0].length; }
        else { depth++; out += c + line(); }
      } else if (c === "}" || c === "]") { depth--; out += line() + c; }
      else if (c === ",") out += c + line();
      else if (c === ":") out += ": ";
      else if (!/\s/.test(c)) out += c;
    }
    return out;
  };

  const showSchema = (name) => {
    const s = doc.components.schemas[name];
    if (!s) return start();
    main.replaceChildren(make("h2", {}, name), make("p", {}, s.description || ""), make("p", { class: "quiet" }, "JSON Schema. More elements of R4 are allowed than the named ones.", schemaLink(s)),
      make("pre", { tabindex: "0", "aria-label": "schema" }, JSON.stringify(s, null, 1)));
  };
  const start = () => main.replaceChildren(
    make("h2", {}, doc.info.title + ", " + doc.info.version), ...doc.info.description.split("\n\n").map((t) => make("p", {}, t)),
    make("p", {}, "First steps: ", make("a", { href: "#batch-or-transaction" }, "send the example of a drain and its placement"), ", then ",
      make("a", { href: "#Observation.create" }, "an emptying"), ", then ask for ", make("a", { href: "#Device.drain-output" }, "the output of the drain"), "."));
  const route = (moved) => {
    const id = decodeURIComponent(location.hash.slice(1));
    for (const g of groups) for (const l of g.links) {
      if (l.id === id) { l.a.setAttribute("aria-current", "page"); g.details.open = true; }
      else l.a.removeAttribute("aria-current");
    }
    if (id.startsWith("schema:")) showSchema(id.slice(7));
    else if (byID.has(id)) show(byID.get(id));
    else start();
    const narrow = matchMedia("(max-width: 52rem)").matches;
    if (moved === true) {
      if (narrow) $("menu").open = false;
      main.focus({ preventScroll: !narrow });
      if (!narrow) scrollTo(0, 0);
    }
  };
  addEventListener("hashchange", () => { if (location.hash !== "#main") route(true); });
  route();
})();
