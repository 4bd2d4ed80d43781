"use strict";
// The parts of a screening: unpacked by column (see screening/index.py), filtered and sorted as typed arrays;
// only the rows in sight are in the page, and only their pictures are loaded.
(async () => {
  const byId = (id) => document.getElementById(id);
  const facts = JSON.parse(byId("facts").textContent), count = facts.rows;
  const said = byId("said"), box = byId("parts"), body = byId("body");
  if (typeof DecompressionStream === "undefined") return;
  const packed = Uint8Array.from(atob(byId("data").textContent), (c) => c.charCodeAt(0));
  const inflated = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
  const bytes = await new Response(inflated).arrayBuffer();

  // ---- columns -----------------------------------------------------------------------------------------------
  const column = {}, decoder = new TextDecoder();
  let read = 0;
  for (const told of facts.columns) {
    if (told.kind === "number") column[told.name] = new Float32Array(bytes, read, count);
    else column[told.name] = new Uint32Array(bytes, read, count);
    read += 4 * count;
    if (told.kind === "choice") column[told.name].words = told.words;
    if (told.kind === "text") {
      const ends = new Uint32Array(count + 1), lengths = column[told.name];
      for (let i = 0; i < count; i++) ends[i + 1] = ends[i] + lengths[i];
      const raw = new Uint8Array(bytes, read, told.bytes);
      column[told.name] = { at: (i) => decoder.decode(raw.subarray(ends[i], ends[i + 1])) };
      read += told.bytes + ((4 - (told.bytes % 4)) % 4);
    }
  }
  const word = (name, i) => column[name].words[column[name][i]] || "";
  const { wanted, part_g, support_g, part_s, support_s, price, loss } = column;

  // ---- words -------------------------------------------------------------------------------------------------
  const fixed = (value, digits) => (Number.isNaN(value) ? "–" : value.toLocaleString("en", { minimumFractionDigits: digits, maximumFractionDigits: digits }).replaceAll(",", "\u00a0"));
  const hours = (s) => (Number.isNaN(s) ? "–" : s < 3600 ? `${Math.round(s / 60)} min` : s < 360000 ? `${Math.floor(s / 3600)} h ${Math.round((s % 3600) / 60)} min` : `${fixed(s / 3600, 0)} h`);
  const signs = { "ready": "✓", "not ready": "✕", "failed": "!", "looked at": "○" };
  const seconds = (i) => part_s[i] + support_s[i];
  const shown = [
    { title: "Picture", width: "7.2rem" },
    { title: "Part", key: "name", width: "auto", text: true },
    { title: "State", key: "state", width: "6.6rem", text: true },
    { title: "Process", key: "process", width: "7rem", text: true },
    { title: "Wanted", key: "wanted", width: "4.4rem", show: (i) => fixed(wanted[i], 0) },
    { title: "Supports, g", key: "support_g", width: "5.4rem", show: (i) => fixed(support_g[i], 1) },
    { title: "Part, g", key: "part_g", width: "5rem", show: (i) => fixed(part_g[i], 1) },
    { title: "Time", value: seconds, width: "6.2rem", show: (i) => hours(seconds(i)) },
    { title: "Price, ¤", key: "price", width: "5rem", show: (i) => fixed(price[i], 2) },
    { title: "Total, ¤", key: "total", width: "5rem", show: (i) => fixed(column.total[i], 2) },
    { title: "Lost on all wanted, ¤", value: (i) => loss[i] * wanted[i], width: "5.8rem", show: (i) => fixed(loss[i] * wanted[i], 2) },
    { title: "Worst sag, mm", key: "sag_mm", width: "5.2rem", show: (i) => fixed(column.sag_mm[i], 2) },
    { title: "Under-sides", key: "undersides", width: "4.2rem", show: (i) => fixed(column.undersides[i], 0) },
  ];

  // ---- what is asked -----------------------------------------------------------------------------------------
  const names = []; // lower case, made while nothing else is to do, or when they are searched
  const haystack = (i) => `${column.name.at(i)}\n${column.file.at(i)}\n${word("why", i)}`.toLowerCase();
  const chosen = new Set(column.state.words);
  let sort = null, order = new Uint32Array(count), fit = count, at = 0;
  for (let i = 0; i < count; i++) order[i] = i;

  function prepare(to) {
    while (names.length < to) names.push(haystack(names.length));
  }

  function idle() {
    if (names.length === count) return;
    prepare(Math.min(count, names.length + 2000));
    setTimeout(idle, 0);
  }

  function ranks(spec) {
    if (spec.value) return Float64Array.from({ length: count }, (_, i) => spec.value(i));
    if (!spec.text) return column[spec.key];
    const texts = spec.key === "name" ? Array.from({ length: count }, (_, i) => column.name.at(i)) : null;
    const label = texts ? (i) => texts[i] : (i) => word(spec.key, i);
    const distinct = [...new Set(Array.from({ length: count }, (_, i) => label(i)))].sort(new Intl.Collator("en", { numeric: true }).compare);
    const rank = new Map(distinct.map((text, k) => [text, k]));
    return Uint32Array.from({ length: count }, (_, i) => rank.get(label(i)));
  }

  function arrange() {
    const text = byId("find").value.trim().toLowerCase(), process = byId("process").value, supports = byId("supports").value;
    if (text) prepare(count);
    const states = column.state.words.map((one) => chosen.has(one));
    const wantedProcess = process === "" || process === "*" ? -1 : column.process.words.indexOf(process);
    const found = [];
    let pieces = 0, grams = 0, ofSupports = 0, time = 0, sum = 0;
    const all = sort ? sort.order : null;
    for (let k = 0; k < count; k++) {
      const i = all ? all[k] : k;
      if (!states[column.state[i]]) continue;
      if (wantedProcess >= 0 && column.process[i] !== wantedProcess) continue;
      if (process === "*" && word("best_process", i) !== word("process", i)) continue;
      if (supports === "none" && !(support_g[i] === 0)) continue;
      if (supports === "some" && !(support_g[i] > 0)) continue;
      if (supports === "most" && !(support_g[i] > part_g[i])) continue;
      if (text && !names[i].includes(text)) continue;
      found.push(i);
      pieces += wanted[i];
      if (!Number.isNaN(price[i])) {
        grams += (part_g[i] + support_g[i]) * wanted[i];
        ofSupports += support_g[i] * wanted[i];
        time += seconds(i) * wanted[i];
        sum += price[i] * wanted[i];
      }
    }
    order = Uint32Array.from(found);
    fit = order.length;
    said.textContent = `${fixed(fit, 0)} of ${fixed(count, 0)} rows, ${fixed(pieces, 0)} parts wanted: ${fixed(grams, 0)} g of filament (${fixed(ofSupports, 0)} g for supports), ${hours(time)}, ${fixed(sum, 2)} ¤`;
    at = 0;
    box.scrollTop = 0;
    draw(true);
  }

  function sorted(spec, down) {
    const rank = ranks(spec), by = new Uint32Array(count);
    for (let i = 0; i < count; i++) by[i] = i;
    const least = (v) => (Number.isNaN(v) ? (down ? -Infinity : Infinity) : v);
    by.sort((a, b) => (down ? least(rank[b]) - least(rank[a]) : least(rank[a]) - least(rank[b])) || a - b);
    return by;
  }

  // ---- rows in sight -----------------------------------------------------------------------------------------
  const head = byId("head");
  for (const spec of shown) {
    const cell = document.createElement("th");
    cell.scope = "col";
    cell.style.width = spec.width;
    if (spec.show) cell.className = "n";
    if (spec.title === "Picture") cell.textContent = "Picture";
    else {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = spec.title;
      if (spec.key) button.title = facts.meanings[spec.key] || "";
      button.addEventListener("click", () => {
        const was = cell.getAttribute("aria-sort"), down = was ? was === "ascending" : !spec.text;
        for (const other of head.children) other.removeAttribute("aria-sort");
        cell.setAttribute("aria-sort", down ? "descending" : "ascending");
        sort = { order: sorted(spec, down) };
        arrange();
      });
      cell.append(button);
    }
    head.append(cell);
  }
  const remPx = parseFloat(getComputedStyle(document.documentElement).fontSize), high = 5 * remPx;
  const most = 12e6; // pixels: taller than that, browsers place rows wrongly, and the bar moves by more than a row
  let first = -1, last = -1;

  function row(i, k) {
    const tr = document.createElement("tr");
    tr.setAttribute("aria-rowindex", k + 2);
    tr.dataset.k = k;
    if (k === at) tr.className = "at";
    for (const spec of shown) {
      const cell = document.createElement(spec.key === "name" ? "th" : "td");
      if (spec.title === "Picture") {
        const picture = column.picture.at(i);
        if (picture) {
          const img = document.createElement("img");
          img.loading = "lazy";
          img.decoding = "async";
          img.alt = `${column.name.at(i)} from below`;
          img.src = picture;
          cell.append(img);
        }
      } else if (spec.key === "name") {
        cell.scope = "row";
        cell.className = "part";
        const button = document.createElement("button"), why = document.createElement("span");
        button.type = "button";
        button.textContent = column.name.at(i);
        button.addEventListener("click", () => open(i));
        why.className = "why";
        why.textContent = word("why", i) || column.file.at(i);
        cell.append(button, why);
      } else if (spec.key === "state") {
        const state = word("state", i);
        cell.className = `state ${state.replace(" ", "-")}`;
        cell.textContent = `${signs[state] || ""} ${state}`;
      } else if (spec.key === "process") {
        cell.textContent = word("process", i) + (column.process.words.length > 1 && word("best_process", i) === word("process", i) ? " ★ best" : "");
      } else {
        cell.className = "n";
        cell.textContent = spec.show(i);
      }
      tr.append(cell);
    }
    return tr;
  }

  function gap(pixels) {
    const tr = document.createElement("tr"), cell = document.createElement("td");
    tr.className = "gap";
    tr.setAttribute("aria-hidden", "true");
    cell.colSpan = shown.length;
    cell.style.height = `${pixels}px`;
    tr.append(cell);
    return tr;
  }

  function draw(anew) {
    const whole = Math.min(fit * high, most), room = Math.max(1, whole - box.clientHeight);
    const near = fit * high > most ? (box.scrollTop / room) * Math.max(0, fit - box.clientHeight / high) : box.scrollTop / high;
    const from = Math.max(0, Math.floor(near) - 4), to = Math.min(fit, Math.ceil(near + box.clientHeight / high) + 4);
    if (!anew && from === first && to === last) return;
    [first, last] = [from, to];
    const before = fit * high > most ? Math.max(0, box.scrollTop - 4 * high) : from * high;
    const rows = [];
    for (let k = from; k < to; k++) rows.push(row(order[k], k));
    byId("table").setAttribute("aria-rowcount", fit + 1);
    body.replaceChildren(gap(before), ...rows, gap(Math.max(0, whole - before - rows.length * high)));
  }

  function move(to) {
    at = Math.max(0, Math.min(fit - 1, to));
    const top = fit * high > most ? (at / Math.max(1, fit)) * (Math.min(fit * high, most) - box.clientHeight) : at * high;
    if (top < box.scrollTop || top + 2 * high > box.scrollTop + box.clientHeight) box.scrollTop = Math.max(0, top - box.clientHeight / 3);
    draw(true);
  }

  // ---- one part ----------------------------------------------------------------------------------------------
  const asked = [
    ["wanted", "wanted", 0, ""], ["price", "price", 2, "¤"], ["total price", "total", 2, "¤"], ["lost", "loss", 2, "¤"],
    ["part", "part_g", 1, "g"], ["supports", "support_g", 1, "g"], ["worst sag", "sag_mm", 2, "mm"], ["undersides", "undersides", 0, ""],
    ["size x", "size_x_mm", 1, "mm"], ["size y", "size_y_mm", 1, "mm"], ["height", "size_z_mm", 1, "mm"], ["triangles", "triangles", 0, ""],
    ["total, recommended position", "turned_total", 2, "¤"], ["a redraw saves", "redraw_saving", 2, "¤"],
  ];

  function open(i) {
    byId("one-name").textContent = `${column.name.at(i)}, ${word("process", i)}: ${word("state", i)}`;
    const picture = column.picture.at(i), img = byId("one-picture");
    img.hidden = !picture;
    if (picture) img.src = picture;
    img.alt = picture ? `${column.name.at(i)} from below` : "";
    byId("one-why").textContent = word("why", i);
    byId("one-file").textContent = column.file.at(i) + (column.copy_of.at(i) ? ` (the same content as ${column.copy_of.at(i)})` : "");
    const plan = byId("one-plan"), folder = column.plan.at(i);
    plan.replaceChildren();
    if (folder) {
      const link = document.createElement("a");
      link.href = `${folder.split("/").map(encodeURIComponent).join("/")}/report.html`;
      link.textContent = "Its work order";
      plan.append(link);
    }
    const list = byId("one-figures");
    list.replaceChildren();
    const entry = (name, text) => {
      const div = document.createElement("div"), dt = document.createElement("dt"), dd = document.createElement("dd"), b = document.createElement("b");
      dt.textContent = name;
      b.textContent = text;
      dd.append(b);
      div.append(dt, dd);
      list.append(div);
    };
    for (const [title, name, digits, unit] of asked) {
      if (!Number.isNaN(column[name][i])) entry(title, `${fixed(column[name][i], digits)} ${unit}`);
    }
    if (!Number.isNaN(seconds(i))) entry("machine time", hours(seconds(i)));
    if (word("turn", i)) entry("recommended position, turned by", `${word("turn", i)}°`);
    byId("one").showModal();
  }

  // ---- controls ----------------------------------------------------------------------------------------------
  for (const state of facts.states.filter((one) => column.state.words.includes(one))) {
    const label = document.createElement("label"), input = document.createElement("input");
    input.type = "checkbox";
    input.checked = true;
    input.addEventListener("change", () => {
      if (input.checked) chosen.add(state);
      else chosen.delete(state);
      arrange();
    });
    label.append(input, `${signs[state]} ${state}`);
    byId("states").append(label);
  }
  const several = column.process.words.length > 1;
  for (const [value, title] of [...(several ? [["*", "the best for each part"]] : []), ...[...column.process.words].sort().map((one) => [one, one])]) {
    const option = document.createElement("option");
    option.value = value;
    option.textContent = title;
    byId("process").append(option);
  }
  byId("asked").addEventListener("submit", (event) => event.preventDefault());
  byId("find").addEventListener("input", arrange);
  byId("process").addEventListener("change", arrange);
  byId("supports").addEventListener("change", arrange);
  box.addEventListener("scroll", () => draw(false), { passive: true });
  addEventListener("resize", () => draw(true));
  const page = () => Math.max(1, Math.floor(box.clientHeight / high) - 1);
  const keys = { ArrowDown: () => at + 1, ArrowUp: () => at - 1, PageDown: () => at + page(), PageUp: () => at - page(), Home: () => 0, End: () => fit - 1 };
  box.addEventListener("keydown", (event) => {
    if (event.target !== box || !fit) return;
    if (event.key === "Enter") open(order[at]);
    else if (keys[event.key]) move(keys[event.key]());
    else return;
    event.preventDefault();
  });
  arrange();
  document.documentElement.dataset.ready = "yes";
  setTimeout(idle, 100);
})();
