"use strict";
/* What the clinic's sheet does: it takes what is typed, looks answers up in the tables that came with
   the file, and saves or prints what was told. It works nothing out. All text goes in as text. */
(() => {
  const sheet = JSON.parse(document.getElementById("sheet").textContent);
  const $ = (id) => document.getElementById(id);
  const SVG = "http://www.w3.org/2000/svg";
  const SIDES = ["left", "right"];
  const SEEN = [["meets", "meets"], ["too_long", "too long"], ["too_short", "too short"]];
  const STATES = [["", "where it was"], ["returned", "returned"], ["lost", "lost"], ["broken", "broken"]];
  /* A scanner reads a code of this many characters well from paper. */
  const MOST_CODED = 700;

  const add = (node, name, value) => {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (value === true) node.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) node.setAttribute(name, value);
  };
  const there = (parts) => parts.filter((one) => one !== null && one !== undefined);
  const make = (space) => (tag, facts = {}, ...inside) => {
    const node = space ? document.createElementNS(space, tag) : document.createElement(tag);
    for (const [name, value] of Object.entries(facts)) add(node, name, value);
    node.append(...there(inside));
    return node;
  };
  const el = make(""), svg = make(SVG);
  const show = (node, ...inside) => node.replaceChildren(...there(inside));
  const stop = (words) => el("span", { class: "stop-word" }, words);
  /* Words beside a pair: only what must not be worn stands out. */
  const note = (words, isStop) => (isStop ? stop(words) : el("span", {}, words));

  /* A number as typed → as the tables write it: a point, no zeros at its ends. */
  const key = (typed) => {
    const found = /^(\d*)(?:[.,](\d*))?$/.exec(typed.trim());
    if (!found || !(found[1] + (found[2] || ""))) return null;
    const rest = (found[2] || "").replace(/0+$/, "");
    return (found[1].replace(/^0+(?=\d)/, "") || "0") + (rest ? `.${rest}` : "");
  };
  const isNumber = (typed) => /^\s*[-+−]?\d+([.,]\d+)?\s*$/.test(typed);
  const today = () => {
    const now = new Date(), two = (n) => String(n).padStart(2, "0");
    return `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
  };

  /* The case, and what each pair makes now. */
  if (sheet.case) {
    $("case-title").textContent = `Case ${sheet.case}`;
    $("true").textContent = `${sheet.true}; prescription revision ${sheet.revision}; protrusive range ${sheet.range} mm`;
    $("case").value = sheet.case;
    $("case-field").hidden = true;
    $("now").hidden = sheet.pairs.length === 0;
    $("drawings").hidden = !$("drawings").querySelector("figure");
    const heads = ["rods, left/right", "% now", "mm now", "note"];
    show($("pairs"), el("thead", {}, el("tr", {}, ...heads.map((head, n) =>
      el("th", { scope: "col", class: n === 1 || n === 2 ? "number" : null }, head)))),
    el("tbody", {}, ...sheet.pairs.map((pair) => el("tr", {},
      el("td", {}, pair.lengths, el("small", {}, pair.name)),
      el("td", { class: "number" }, pair.percent || "not known"),
      el("td", { class: "number" }, pair.mm || "not known"),
      el("td", {}, pair.words ? note(pair.words, pair.stop) : pair.start ? "start" : "")))));
    const stops = (sheet.findings || []);
    $("findings").hidden = stops.length === 0;
    show($("findings"), ...stops.map((words) => el("li", {}, words)));
  }

  /* A rod chosen from those that are there, or typed where the sheet knows none. */
  const chooser = (id, options, chosen, facts = {}) => {
    if (!options.length) return el("input", { id, maxlength: 20, required: true, ...facts });
    return el("select", { id, ...facts }, ...options.map(([value, words]) =>
      el("option", { value, selected: value === chosen }, words)));
  };

  /* Trial fit. */
  const picture = (seen) => {
    const end = { meets: 78, too_long: 94, too_short: 62 }[seen];
    return svg("svg", { viewBox: "0 0 110 34", "aria-hidden": "true" },
      svg("circle", { class: "rod", cx: 12, cy: 14, r: 7 }), svg("circle", { class: "rod", cx: end, cy: 14, r: 7 }),
      svg("path", { class: "rod", d: `M19 11H${end - 7}M19 17H${end - 7}` }), svg("circle", { class: "seat", cx: 12, cy: 14, r: 3 }),
      svg("circle", { class: "seat", cx: 78, cy: 14, r: 3 }),
      seen === "meets" ? null : svg("path", { class: "gauge", d: `M78 30H${end}M78 26V34M${end} 26V34` }));
  };
  const step = (side, by) => {
    const gaps = sheet.trial ? sheet.trial.gaps : [];
    const typed = $(`${side}-by`), at = gaps.indexOf(key(typed.value));
    const next = gaps[at < 0 ? 0 : at + by];
    if (next !== undefined) { typed.value = next; trial(); }
  };
  const trialSide = (side) => {
    const labels = sheet.trial ? sheet.trial.rods[side] : [];
    const options = labels.map((label) => [label, label]);
    const chosen = sheet.trial ? sheet.trial.first[side] : "";
    $(`trial-${side}`).append(
      el("label", { for: `${side}-rod` }, "Rod, as engraved"),
      chooser(`${side}-rod`, options, chosen, { inputmode: options.length ? null : "decimal" }),
      el("fieldset", { class: "seen", "aria-label": `What you saw on the ${side}` }, ...SEEN.map(([value, words]) => el("label", {}, picture(value), words,
        el("input", { type: "radio", name: `${side}-seen`, value })))),
      el("div", { id: `${side}-by-row`, hidden: true }, el("label", { for: `${side}-by` }, "By how many mm"),
        el("div", { class: "by" },
          el("button", { type: "button", "aria-label": `${side}: less`, onclick: () => step(side, -1) }, "−"),
          el("input", { id: `${side}-by`, inputmode: "decimal", maxlength: 12 }),
          el("button", { type: "button", "aria-label": `${side}: more`, onclick: () => step(side, 1) }, "+"))),
      el("p", { id: `${side}-means`, class: "soft" }));
  };
  SIDES.forEach(trialSide);
  const seenOf = (side) => {
    const chosen = document.querySelector(`input[name="${side}-seen"]:checked`);
    return chosen ? chosen.value : "";
  };
  const seatOf = (side) => {
    const seats = sheet.trial.seats[$(`${side}-rod`).value], seen = seenOf(side);
    if (!seats || !seen) return null;
    if (seen === "meets") return seats.meets;
    const by = key($(`${side}-by`).value);
    return by === null ? null : seats[seen][by] || "";
  };
  const answerOf = ([left, right]) => {
    const row = left === "" || right === "" ? undefined : sheet.trial.answers[left];
    if (!row || !(sheet.trial.right.includes(right))) return { refused: sheet.trial.beyond };
    return row[right] === undefined ? { refused: sheet.trial.disagree } : sheet.trial.told[row[right]];
  };
  const trial = () => {
    for (const side of SIDES) {
      const seen = seenOf(side);
      $(`${side}-by-row`).hidden = !seen || seen === "meets";
      $(`${side}-means`).textContent = (sheet.trial && sheet.trial.means[seen]) || "";
    }
    const out = $("trial-means");
    if (!sheet.trial) {
      show(out, el("p", {}, "The laboratory works out what follows; this sheet cannot."));
      return;
    }
    const seats = SIDES.map(seatOf);
    if (seats.includes(null)) {
      show(out, el("p", { class: "soft" }, "Say of both sides what you saw."));
      return;
    }
    const found = answerOf(seats);
    if (found.refused) {
      show(out, el("p", {}, found.refused));
      return;
    }
    show(out, el("p", {}, el("strong", {}, found.answer)),
      el("div", { class: "wide" }, el("table", {},
        el("thead", {}, el("tr", {}, ...["rods, left/right", "% until now", "% then", "note"].map((head, n) =>
          el("th", { scope: "col", class: n === 1 || n === 2 ? "number" : null }, head)))),
        el("tbody", {}, ...sheet.pairs.filter((pair) => found.pairs[pair.key]).map((pair) => el("tr", {},
          el("td", {}, pair.lengths), el("td", { class: "number was" }, pair.percent || ""),
          el("td", { class: "number" }, found.pairs[pair.key][0]),
          el("td", {}, note(found.pairs[pair.key][1], found.pairs[pair.key][2]))))))),
      el("p", { class: "soft" }, "Nothing changes by this sheet. It holds only if the pads touched on both sides."));
  };

  /* Rods in between. */
  const ordered = [];
  const orderedRow = (percent) => {
    const row = sheet.order && sheet.order.steps[key(percent)];
    const told = !row ? "The laboratory works out what would be made."
      : row.refused ? el("span", {}, stop("refused. "), el("small", {}, `${row.refused}.`))
        : `rods ${row.left}/${row.right}, which make ${row.percent} %, ${row.mm} mm`;
    return el("li", {}, el("div", { class: "row" }, el("span", {}, el("strong", {}, `${percent} %: `), told),
      el("button", { type: "button", class: "quiet", "aria-label": `Take ${percent} % away`,
        onclick: () => { ordered.splice(ordered.indexOf(percent), 1); order(); } }, "Take away")));
  };
  const order = () => {
    show($("ordered"), ...(ordered.length ? ordered.map(orderedRow)
      : [el("li", { class: "soft" }, "Nothing is ordered yet.")]));
    if (ordered.length > 1) {
      $("ordered").append(el("li", { class: "soft" }, "The laboratory checks them together."));
    }
  };
  const orderAt = (percent) => {
    if (!ordered.some((one) => key(one) === key(percent))) ordered.push(percent);
    order();
  };
  const gaps = () => {
    const rows = [], between = (sheet.order && sheet.order.gaps) || [];
    sheet.pairs.forEach((pair, n) => {
      rows.push(el("li", { class: "pair" }, el("span", {}, `${pair.lengths}`), el("span", {}, pair.words ? note(pair.words, pair.stop) : "",
        ` ${pair.percent || "not known"} %`)));
      const gap = between[n];
      if (gap && n + 1 < sheet.pairs.length) {
        rows.push(el("li", { class: "gap" }, gap.percent === null
          ? el("span", { class: "soft" }, "no pair can be worked out between these two")
          : el("button", { type: "button", class: "quiet", onclick: () => orderAt(gap.percent) }, `+ a pair between, at ${gap.percent} %`)));
      }
    });
    show($("gaps"), ...rows);
  };
  gaps();
  const addTyped = () => {
    const typed = $("percent").value.trim();
    $("percent").setAttribute("aria-invalid", String(key(typed) === null));
    if (key(typed) !== null) { orderAt(typed); $("percent").value = ""; }
  };
  $("add-percent").addEventListener("click", addTyped);
  $("percent").addEventListener("keydown", (event) => {
    if (event.key === "Enter") { event.preventDefault(); addTyped(); }
  });

  /* Follow-up. */
  const whole = sheet.pairs.filter((pair) => pair.left && pair.right);
  if (whole.length) {
    $("worn").append(...whole.map((pair, n) => el("label", { class: "choice" },
      el("input", { type: "radio", name: "worn", value: n }),
      el("span", {}, el("span", {}, pair.lengths), el("span", {}, `${pair.percent || "not known"} %`)))));
  } else {
    $("worn").append(...SIDES.map((side) => el("div", {}, el("label", { for: `worn-${side}` }, `The ${side} rod, as engraved`),
      chooser(`worn-${side}`, [], "", { inputmode: "decimal" }))));
  }
  const wornPair = () => {
    const chosen = document.querySelector("input[name=worn]:checked");
    return chosen ? whole[Number(chosen.value)] : null;
  };
  const worn = () => {
    const pair = wornPair();
    if (!pair) {
      show($("worn-means"), el("p", { class: "soft" }, whole.length ? "Choose the pair." : "The laboratory looks it up."));
      return;
    }
    show($("worn-means"), pair.words ? el("p", {}, note(pair.words, pair.stop)) : null,
      el("p", {}, pair.percent ? `On what holds now, ${pair.lengths} makes ${pair.percent} % of the range, ${pair.mm} mm forward.`
        : "What this pair makes is not known."));
  };

  /* Rods lost or returned. */
  const rodRow = (rod, n) => el("li", {}, el("div", { class: "row" },
    rod ? el("span", {}, el("strong", {}, `${rod.label} ${rod.side}`), ` ${rod.shown} `, el("small", {}, rod.who))
      : el("input", { "data-typed": n, maxlength: 20, inputmode: "numeric", "aria-label": "Identifier, as on the bag label", placeholder: "4829 482 917 3065" }),
    el("select", { "data-rod": n, "aria-label": rod ? `What became of ${rod.label} ${rod.side}` : "What became of it" },
      ...STATES.filter(([state]) => !rod || !state || rod.next.includes(state)).map(([value, words]) => el("option", { value }, words)))));
  const known = sheet.rods.filter((rod) => rod.next.length);
  show($("rods"), ...(sheet.rods.length ? known : Array(6).fill(null)).map(rodRow));
  const toldRods = () => [...document.querySelectorAll("[data-rod]")].flatMap((select) => {
    const n = select.dataset.rod, typed = document.querySelector(`[data-typed="${n}"]`);
    const rod = typed ? typed.value.trim() : known[n].identifier;
    return select.value && rod ? [{ rod, became: select.value }] : [];
  });
  const rods = () => {
    const states = [...new Set(toldRods().map((one) => one.became))];
    show($("rods-means"), ...(states.length ? states.map((state) => el("p", {}, el("strong", {}, `${state}: `), sheet.became[state]))
      : [el("p", { class: "soft" }, "Say of at least one rod what became of it.")]));
  };

  /* Prescription. */
  const zero = [["retruded", "retruded"], ["habitual", "habitual"]];
  const KEYS = [
    ["zero", "Which reading is 0 %", zero], ["retruded", "Retruded, mm"], ["habitual", "Habitual, mm"],
    ["protruded", "Protruded, mm"], ["registered", "Registered, mm"], ["midline_deviation", "Midline shift, mm, + left"],
    ["vertical_opening", "Vertical opening, mm"], ["action", "Appliance", [["pull", "pull"], ["push", "push"]]],
    ["template", "Rod template", sheet.templates.map((name) => [name, name])],
    ["pin_distance", "Distance of the seats, mm, both sides"],
    ["left.pin_distance", "Left, where they differ"], ["right.pin_distance", "Right, where they differ"],
    ["percent", "Steps, %, such as 50; 62.5; 75"], ["start", "Start, %"], ["prescriber", "Prescriber's code"],
  ];
  const WORDS = new Set(["percent", "prescriber", "zero", "action", "template"]);
  const READINGS = ["retruded", "habitual", "registered", "protruded"];
  $("keys").append(...KEYS.map(([name, words, options]) => el("div", {}, el("label", { for: `key-${name}` }, words),
    options ? el("select", { id: `key-${name}` }, el("option", { value: "" }, ""), ...options.map(([value, text]) =>
      el("option", { value, selected: sheet.keys[name] === value }, text)))
      : el("input", { id: `key-${name}`, inputmode: WORDS.has(name) ? null : "decimal", value: sheet.keys[name] || "" }))));
  if (sheet.case) $("prescription-lead").textContent += " The fields show what holds now: change what needs changing.";
  const keysTold = () => {
    const told = { ...sheet.keys };
    for (const [name] of KEYS) {
      const typed = $(`key-${name}`).value.trim();
      if (typed) told[name] = typed; else delete told[name];
    }
    return told;
  };
  const ruler = (told) => {
    const at = READINGS.filter((name) => told[name] && isNumber(told[name]))
      .map((name) => [name, Number(told[name].replace(",", ".").replace("−", "-"))]).filter(([, mm]) => Math.abs(mm) <= 30);
    if (at.length < 2) return null;
    const low = Math.floor(Math.min(...at.map(([, mm]) => mm))) - 2, high = Math.ceil(Math.max(...at.map(([, mm]) => mm))) + 2;
    const x = (mm) => 20 + 560 * (mm - low) / (high - low);
    const ticks = Array.from({ length: high - low + 1 }, (_, n) => low + n);
    return svg("svg", { class: "ruler", viewBox: `0 0 600 ${40 + 16 * at.length}`, role: "img", "aria-label": "The readings on the gauge" },
      svg("line", { x1: x(low), x2: x(high), y1: 24, y2: 24 }),
      ...ticks.map((mm) => svg("line", { x1: x(mm), x2: x(mm), y1: 24, y2: mm % 5 ? 29 : 33 })),
      ...ticks.filter((mm) => mm % 5 === 0).map((mm) => svg("text", { x: x(mm), y: 16, "text-anchor": "middle" }, `${mm}`)),
      ...at.flatMap(([name, mm], n) => [svg("line", { class: "mark", x1: x(mm), x2: x(mm), y1: 18, y2: 42 + 16 * n }),
        svg("text", { x: x(mm) + (x(mm) > 460 ? -5 : 5), y: 46 + 16 * n, "text-anchor": x(mm) > 460 ? "end" : "start" }, `${name} ${told[name]}`)]));
  };
  const keys = () => {
    const told = keysTold();
    const names = [...new Set([...Object.keys(sheet.keys), ...Object.keys(told)])].filter((name) => told[name] !== sheet.keys[name]);
    const kept = Object.keys(told).filter((name) => !KEYS.some(([own]) => own === name) && !["case", "date"].includes(name));
    show($("keys-means"), ruler(told) || "",
      sheet.case ? el("ul", {}, ...(names.length ? names.map((name) =>
        el("li", {}, `${name}: ${sheet.keys[name] || "none"} → ${told[name] || "none"}`)) : [el("li", { class: "soft" }, "Nothing is changed yet.")]))
        : "",
      kept.length ? el("p", { class: "soft" }, `Kept as recorded: ${kept.map((name) => `${name} ${told[name]}`).join(", ")}.`) : "",
      el("p", { class: "soft" }, "The laboratory works out the lengths, and checks every value."));
  };

  /* What is told. */
  let kind = "";
  const LOOK = { trial, order, "follow-up": worn, rods, prescription: keys };
  const TOLD = {
    trial: () => {
      const told = { kind: "trial", accepted: $("accepted").checked, read_to: sheet.read_to };
      for (const side of SIDES) {
        const rod = $(`${side}-rod`), seen = seenOf(side), by = $(`${side}-by`);
        need(rod, rod.value.trim(), `the ${side} rod`);
        need($(`trial-${side}`), seen, `what you saw on the ${side}`);
        if (seen !== "meets") need(by, isNumber(by.value), `by how many mm on the ${side}`);
        told[side] = { rod: rod.value.trim(), seen, ...(seen === "meets" ? {} : { by: by.value.trim() }) };
      }
      return told;
    },
    order: () => { need($("percent"), ordered.length, "at least one percentage"); return { kind, percent: [...ordered] }; },
    "follow-up": () => {
      const pair = wornPair();
      if (whole.length) { need($("worn"), pair, "the pair in the mouth"); return { kind, left: pair.left, right: pair.right }; }
      SIDES.forEach((side) => need($(`worn-${side}`), $(`worn-${side}`).value.trim(), `the ${side} rod`));
      return { kind, left: $("worn-left").value.trim(), right: $("worn-right").value.trim() };
    },
    rods: () => { const told = toldRods(); need($("rods"), told.length, "what became of at least one rod"); return { kind, rods: told }; },
    prescription: () => {
      const told = keysTold();
      for (const [name, words] of KEYS.filter(([one]) => ["zero", "protruded", "registered", "action", "template"].includes(one))) {
        need($(`key-${name}`), told[name], words);
      }
      need($("key-percent"), told.percent || told.advancement || told.first, "the steps");
      return { kind, keys: { ...told, case: $("case").value.trim(), date: $("on").value } };
    },
  };
  class Missing extends Error {}
  const need = (node, value, words) => {
    if (value) return;
    node.setAttribute("aria-invalid", "true");
    const field = node.matches("input, select") ? node : node.querySelector("input, select, button") || node;
    field.focus();
    throw new Missing(`Please give ${words}.`);
  };
  const clear = () => {
    document.querySelectorAll("[aria-invalid]").forEach((node) => node.removeAttribute("aria-invalid"));
    $("problem").hidden = true;
    $("saved").hidden = true;
  };
  const told = () => {
    const what = TOLD[kind]();
    need($("case"), $("case").value.trim(), "the case number");
    need($("by"), $("by").value.trim(), "your code or practice");
    need($("on"), $("on").value, "the day");
    return {
      schema: sheet.schema, case: $("case").value.trim(),
      ...(sheet.entry ? { entry: sheet.entry, true_on: sheet.true_on } : {}),
      on: $("on").value, by: $("by").value.trim(),
      ...($("note").value.trim() ? { note: $("note").value.trim() } : {}), told: what,
    };
  };
  const attempt = (act) => {
    clear();
    try { act(told()); } catch (error) {
      if (!(error instanceof Missing)) throw error;
      $("problem").textContent = error.message;
      $("problem").hidden = false;
    }
  };
  const nameOf = (all) => `${[all.case, kind, all.on].join("-").replace(/[^A-Za-z0-9-]+/g, "-")}.json`;
  const save = (all) => {
    const file = new Blob([`${JSON.stringify(all, null, 2)}\n`], { type: "application/json" });
    const address = URL.createObjectURL(file);
    const link = el("a", { href: address, download: nameOf(all) });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(address), 60000);
    $("saved").textContent = `Saved as ${nameOf(all)}. Send this file to the laboratory; nothing was sent by itself.`;
    $("saved").hidden = false;
  };

  /* On paper: what is told, and a code of it where it is short. */
  const code = (text) => {
    const found = leanQr.generate(text), rows = [];
    for (let y = 0; y < found.size; y += 1) {
      for (let x = 0; x < found.size; x += 1) if (found.get(x, y)) rows.push(`M${x + 4} ${y + 4}h1v1h-1z`);
    }
    const whole = found.size + 8;
    return svg("svg", { viewBox: `0 0 ${whole} ${whole}`, role: "img", "aria-label": "Code of the file" },
      svg("rect", { width: whole, height: whole, fill: "#ffffff" }), svg("path", { d: rows.join(""), fill: "#000000" }));
  };
  const WRITTEN = { too_long: "too long", too_short: "too short", true: "yes", false: "no" };
  const flat = (value, name = "") => (value !== null && typeof value === "object"
    ? Object.entries(value).flatMap(([inner, one]) => flat(one, Array.isArray(value) ? `${name} ${Number(inner) + 1}` : name ? `${name} ${inner}` : inner))
    : [[name, WRITTEN[value] || String(value)]]);
  const paper = (all) => {
    const what = { ...all.told };
    delete what.kind;
    const text = JSON.stringify(all), means = document.querySelector(`section[data-of="${kind}"] .meaning`);
    show($("paper"), el("h2", {}, document.querySelector(`.kinds [data-kind="${kind}"]`).textContent),
      el("table", {}, el("tbody", {}, ...flat({ case: all.case, day: all.on, "reported by": all.by, ...(all.note ? { remark: all.note } : {}), ...what })
        .map(([name, value]) => el("tr", {}, el("th", { scope: "row" }, name.replaceAll("_", " ")), el("td", {}, value))))),
      means.cloneNode(true),
      text.length <= MOST_CODED ? code(text) : el("p", {}, "Too long for a code: send the saved file."));
    $("paper").querySelectorAll("[aria-live]").forEach((node) => node.removeAttribute("aria-live"));
    $("paper").querySelectorAll("[id]").forEach((node) => node.removeAttribute("id"));
    window.print();
  };

  const choose = (wanted) => {
    kind = wanted;
    document.querySelectorAll(".kinds button").forEach((button) => button.setAttribute("aria-pressed", String(button.dataset.kind === kind)));
    document.querySelectorAll("section[data-of]").forEach((section) => { section.hidden = section.dataset.of !== kind; });
    $("form").hidden = false;
    clear();
    LOOK[kind]();
  };
  document.querySelectorAll(".kinds button").forEach((button) => {
    button.setAttribute("aria-pressed", "false");
    button.addEventListener("click", () => choose(button.dataset.kind));
  });
  $("on").value = today();
  $("form").addEventListener("input", () => { clear(); if (kind) LOOK[kind](); });
  $("form").addEventListener("submit", (event) => { event.preventDefault(); attempt(save); });
  $("print").addEventListener("click", () => attempt(paper));
})();
