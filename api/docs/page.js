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

  // The list, by task: what a client does most stands in front, all other
  // interactions, which each type has alike, are folded behind it.
  const tasks = [
    ["Register", "A patient, a drain, and where it was placed.", ["batch-or-transaction", "Patient.create", "Device.create", "DeviceUseStatement.create", "DeviceUseStatement.update", "Device.search", "Patient.search"]],
    ["Chart", "An emptying, a check, a look at the site; put right what was wrong.", ["Observation.create", "Observation.update", "Observation.validate.post", "ValueSet.expand", "Observation.search"]],
    ["Ask", "Totals, balance, escalation, what is due, handover, review for removal, the picture.", ["Location.emptying-due", "Location.escalation-status", "Location.handover", "Device.escalation-status", "Device.drain-output", "Patient.fluid-balance", "Device.removal-review", "Device.chart", "Observation.lastn", "Observation.stats"]],
    ["Be told", "Of each concern as it is announced; and answer it.", ["Subscription.create", "Subscription.search", "DetectedIssue.search", "DetectedIssue.acknowledge", "Device.acknowledge"]],
    ["Export", "Much at once: NDJSON, Parquet, CSV.", ["export", "export.status", "export.file", "export.delete", "Patient.export", "Group.export"]],
    ["Administer", "Is it well, what does it claim, who looked at what.", ["readyz", "livez", "capabilities", "smart-configuration", "AuditEvent.search", "history-system"]],
  ];
  // An interaction that each type has says of which type it is.
  const title = (o) => (/^[A-Z]\w+\.(create|update|search|read|validate|lastn|stats)/.test(o.operationId) ? o.operationId.split(".")[0] + ": " + o.summary.charAt(0).toLowerCase() + o.summary.slice(1) : o.summary);
  const entry = (o) => {
    const a = make("a", { href: "#" + encodeURIComponent(o.operationId) }, badge(o.method), " " + title(o), make("br"), make("code", {}, o.path));
    return { a, li: make("li", {}, a), id: o.operationId, text: [o.operationId, o.summary, o.method, o.path, o.tags[0]].join(" ").toLowerCase() };
  };
  const group = (name, description, list) => {
    const links = list.map(entry);
    return { details: make("details", {}, make("summary", {}, name), make("p", { class: "quiet" }, description), make("ul", {}, ...links.map((l) => l.li))), links };
  };
  const front = tasks.map(([name, description, ids]) => group(name, description, ids.map((id) => byID.get(id)).filter(Boolean)));
  const named = new Set(tasks.flatMap(([, , ids]) => ids));
  const rest = doc.tags.map((tag) => group(tag.name, tag.description, operations.filter((o) => o.tags[0] === tag.name && !named.has(o.operationId)))).filter((g) => g.links.length);
  const groups = [...front, ...rest];
  const folded = make("details", { class: "rest" }, make("summary", {}, "Everything else, by type"), ...rest.map((g) => g.details));
  $("list").append(...front.map((g) => g.details), folded);
  for (const g of front.slice(0, 3)) g.details.open = true;
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
    folded.hidden = rest.every((g) => g.details.hidden);
    if (words.length) folded.open = !folded.hidden;
    $("found").textContent = words.length ? n + " of " + operations.length + " operations" : operations.length + " operations";
  };
  $("filter").addEventListener("input", filter);
  filter();
  if (matchMedia("(max-width: 52rem)").matches) $("menu").open = false;

  // One token for the whole page, and with it what exists: ids to begin with.
  let token = "";
  const known = {};
  const meet = async () => {
    if (!token) return;
    for (const [type, query] of [["Device", "status=active&"], ["Patient", ""], ["Location", "physicaltype="], ["Observation", "_sort=-date&"], ["DetectedIssue", "_sort=-_lastUpdated&"], ["Encounter", ""]]) {
      try {
        const q = type === "Location" ? "_count=50" : query + "_count=1";
        const r = await fetch(base + "/fhir/" + type + "?" + q, { headers: { Authorization: "Bearer " + token }, cache: "no-store", credentials: "omit" });
        if (!r.ok) continue;
        const all = ((await r.json()).entry || []).map((e) => e.resource);
        const one = type === "Location" ? all.find((l) => ((l.physicalType || {}).coding || []).some((c) => c.code === "wa")) || all[0] : all[0];
        if (one) known[type] = one.id;
      } catch { return; }
    }
    $("met").textContent = Object.keys(known).length ? "Filled in below: what exists here." : "";
    route();
  };
  $("token").addEventListener("change", (e) => {
    token = e.target.value.replace(/^\s*(?:export\s+)?\w+=/, "").replace(/^\s*Bearer\s/i, "").replace(/[\s"']/g, "");
    meet();
  });
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
  const field = (p, i, changed, type) => {
    const schema = follow(p.schema) || {};
    const id = "p" + i;
    const input = schema.enum
      ? make("select", { id, "aria-describedby": id + "d", onchange: changed }, ...(p.required ? [] : [make("option", { value: "" }, "–")]), ...schema.enum.map((v) => make("option", { value: v }, v)))
      : make("input", { id, "aria-describedby": id + "d", autocomplete: "off", spellcheck: "false", placeholder: sample(p) && "e.g. " + sample(p), required: p.required, oninput: changed });
    if (p.required && !schema.enum) input.value = (p.in === "path" && p.name === "id" && known[type]) || sample(p);
    return { p, input, element: make("div", { class: "field" },
      make("label", { for: id }, p.name), make("span", { class: "quiet" }, " " + [p.in, p.required && "required", kind(p.schema)].filter(Boolean).join(", ")),
      make("p", { id: id + "d", class: "quiet" }, p.description || ""), input) };
  };

  const schemaLink = (s) => {
    if (!s) return null;
    const names = [...new Set((JSON.stringify(s).match(/#\/components\/schemas\/[A-Za-z]+/g) || []).map((r) => r.split("/").pop()))];
    return make("span", {}, ...names.flatMap((n, i) => [i ? ", " : " ", make("a", { href: "#schema:" + n }, n)]));
  };

  // The same request as it is written in three places.
  let spoken = "curl";
  const written = {
    curl: (method, q, open) => {
      const parts = ["curl -sS"];
      if (method !== "GET") parts.push("-X " + method);
      if (!open) parts.push('-H "Authorization: Bearer $TOKEN"');
      for (const [k, v] of q.headers) parts.push("-H " + shell(k + ": " + v));
      if (q.body) parts.push("--data-binary " + shell(q.body));
      return [...parts, shell(q.url)].join(" ");
    },
    Python: (method, q, open) => {
      const heads = [...q.headers.map(([k, v]) => JSON.stringify(k) + ": " + JSON.stringify(v)), ...(open ? [] : ['"Authorization": "Bearer " + os.environ["TOKEN"]'])];
      return "import os, urllib.request\n\nrequest = urllib.request.Request(\n    " + JSON.stringify(q.url) + ",\n    method=" + JSON.stringify(method) + ",\n    headers={" + heads.join(", ") + "},\n"
        + (q.body ? "    data=" + JSON.stringify(q.body) + ".encode(),\n" : "") + ")\nwith urllib.request.urlopen(request) as answer:\n    print(answer.read().decode())";
    },
    JavaScript: (method, q, open) => {
      const heads = [...q.headers.map(([k, v]) => JSON.stringify(k) + ": " + JSON.stringify(v)), ...(open ? [] : ["Authorization: `Bearer ${process.env.TOKEN}`"])];
      return "const answer = await fetch(" + JSON.stringify(q.url) + ", {\n  method: " + JSON.stringify(method) + ",\n  headers: { " + heads.join(", ") + " },\n"
        + (q.body ? "  body: " + JSON.stringify(q.body) + ",\n" : "") + "});\nconsole.log(answer.status, await answer.text());";
    },
  };

  const show = (o) => {
    const params = (o.parameters || []).map(follow);
    let body = null, media = null, text = null;
    if (o.requestBody) {
      [media, body] = Object.entries(o.requestBody.content)[0];
      text = make("textarea", { id: "body", spellcheck: "false", oninput: () => update() });
    }
    const fields = params.map((p, i) => field(p, i, () => update(), o.path.split("/").find((x) => known[x])));
    const curl = make("pre", { tabindex: "0", "aria-label": "the request, to copy" });
    const language = make("select", { id: "language", onchange: () => { spoken = language.value; update(); } }, ...["curl", "Python", "JavaScript"].map((l) => make("option", { selected: l === spoken }, l)));
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
      curl.textContent = written[spoken](o.method, q, open);
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
    form.append(make("h3", {}, "Try it"));
    if (open) form.append(make("p", { class: "quiet" }, "Needs no token."));
    else if (!token) form.append(make("p", { class: "quiet" }, "Needs a token: put it in above, once for the whole page."));
    if (o.method !== "GET" && !o.path.endsWith("/_search") && !/^(get|search)/.test(o.operationId)) {
      form.append(make("p", { class: "quiet" }, "This is sent to the service that you are looking at, and what it writes stays there."));
    }
    form.append(make("div", { class: "row" }, make("button", { class: "main", type: "submit" }, "Send"),
      make("button", { type: "button", onclick: async (e) => {
        try { await navigator.clipboard.writeText(curl.textContent); e.target.textContent = "Copied"; }
        catch { getSelection().selectAllChildren(curl); e.target.textContent = "Selected: copy it"; }
      } }, "Copy")), make("label", { for: "language" }, "As"), language, curl, result);
    const answers = Object.entries(o.responses).flatMap(([status, r]) => {
      const a = follow(r);
      const content = Object.entries(a.content || {});
      return [make("dt", {}, make("strong", {}, status)), make("dd", {}, a.description, ...content.flatMap(([m, c]) => [make("br"), make("code", {}, m), schemaLink(c.schema), ...samples(c)]))];
    });
    main.replaceChildren(
      make("h2", {}, o.summary), make("p", {}, badge(o.method), " ", make("span", { class: "path" }, o.path)),
      ...(o.description || "").split("\n\n").filter(Boolean).map((t) => make("p", {}, t)),
      form, make("h3", {}, "Answers"), make("dl", {}, ...answers));
    update();
  };

  // samples are answers as the service gave them once, folded.
  const samples = (c) => Object.values(c.examples || {}).map(follow).map((e) => make("details", { class: "sample" }, make("summary", {}, e.summary), make("pre", { tabindex: "0", "aria-label": "a sample answer" }, JSON.stringify(e.value, null, 1))));

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
      elements(s));
  };
  // elements lists what a type may hold: name, type, how often, what for.
  const elements = (schema) => {
    const rows = new Map();
    const gather = (x) => {
      const f = follow(x) || {};
      for (const part of f.allOf || []) gather(part);
      for (const [k, v] of Object.entries(f.properties || {})) rows.set(k, { v, must: (f.required || []).includes(k) });
    };
    gather(schema);
    if (!rows.size) return make("pre", { tabindex: "0", "aria-label": "schema" }, JSON.stringify(schema, null, 1));
    const type = (v) => {
      const many = v.type === "array", one = many ? v.items || {} : v;
      const n = one.$ref && one.$ref.split("/").pop();
      return make("span", {}, n ? make("a", { href: "#schema:" + n }, n) : one.enum ? one.enum.join(", ") : one.type || "any", many ? ", repeats" : "");
    };
    return make("div", { class: "wide", tabindex: "0", role: "region", "aria-label": "Elements" }, make("table", {}, make("thead", {}, make("tr", {}, ...["Element", "Type", "Needed", "What for"].map((w) => make("th", { scope: "col" }, w)))),
      make("tbody", {}, ...[...rows].sort(([a], [b]) => a.localeCompare(b)).map(([k, { v, must }]) => make("tr", {}, make("th", { scope: "row" }, make("code", {}, k)), make("td", {}, type(v)), make("td", {}, must ? "yes" : ""), make("td", {}, v.description || ""))))));
  };
  const start = () => main.replaceChildren(
    make("h2", {}, doc.info.title + ", " + doc.info.version), ...doc.info.description.split("\n\n").map((t) => make("p", {}, t)),
    make("p", {}, "First steps: put a token in above, then ", make("a", { href: "#batch-or-transaction" }, "register a drain and its placement"), ", ",
      make("a", { href: "#Observation.create" }, "chart an emptying"), ", and ask for ", make("a", { href: "#Device.drain-output" }, "the output of the drain"), "."),
    ...tasks.flatMap(([name, description, ids]) => [make("h3", {}, name), make("p", { class: "quiet" }, description), make("ul", {}, ...ids.map((id) => byID.get(id)).filter(Boolean).map((o) => make("li", {}, make("a", { href: "#" + encodeURIComponent(o.operationId) }, title(o))))), ...(name === "Be told" ? told() : [])]));
  // told says what a receiver gets.
  const told = () => [make("p", {}, "A receiver gets one request a delivery: PUT to its endpoint and the resource's path, the resource as body where the Subscription names a payload, and an empty POST where it does not. It answers 2xx once it has kept it; what it does not answer is sent again, so drop repeats by Tidemark-Sequence."),
    make("pre", { tabindex: "0", "aria-label": "a delivery" }, 'PUT /tidemark/DetectedIssue/9b2f HTTP/1.1\nContent-Type: application/fhir+json\nTidemark-Sequence: 4711\n\n{"resourceType":"DetectedIssue","id":"9b2f","status":"final","severity":"high",\n "code":{"coding":[{"system":"http://tidemark.example.org/fhir/CodeSystem/drain","code":"fluid"}]},\n "detail":"192 mL of sanguineous fluid in 2 h, serous before",\n "patient":{"reference":"Patient/p1"},"implicated":[{"reference":"Device/d1"}]}')];
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
