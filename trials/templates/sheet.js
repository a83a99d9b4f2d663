"use strict";
(function () {
  const sheet = JSON.parse(document.getElementById("sheet-data").textContent);
  const key = "fairtank:" + sheet.stem;
  const at = (id) => document.getElementById(id);
  const readingForm = at("reading-form"), eventForm = at("event-form");
  const NUMBER = /^([<>]=?|=[<>])?\s*([+-]?(?:\d+(?:[.,]\d+)?|[.,]\d+))$/;
  const TWO_WAYS = /^[+-]?[1-9]\d{0,2}[.,]\d{3}$/;
  let state = { format: 1, readings: [], events: [], draft: {}, kits: {}, by: "" };

  /* What was typed is kept in the browser where it lets us; where not, the person is told. */
  function load() {
    try {
      const found = JSON.parse(localStorage.getItem(key) || "null");
      if (found && found.format === 1 && Array.isArray(found.readings) && Array.isArray(found.events)) {
        state = Object.assign(state, found);
      }
    } catch (error) {
      at("not-kept").hidden = false;
    }
  }
  function keep() {
    try {
      localStorage.setItem(key, JSON.stringify(state));
      at("not-kept").hidden = true;
    } catch (error) {
      at("not-kept").hidden = false;
    }
  }

  function element(name, text, properties) {
    const made = Object.assign(document.createElement(name), properties || {});
    if (text) made.textContent = text;
    return made;
  }
  function say(place, lines) {
    place.replaceChildren(...lines.map((line) => element("p", line)));
    if (place.hasAttribute("hidden") || place.getAttribute("role") === "alert") place.hidden = !lines.length;
  }
  function today() {
    const now = new Date();
    return [now.getFullYear(), String(now.getMonth() + 1).padStart(2, "0"), String(now.getDate()).padStart(2, "0")].join("-");
  }
  function inWords(day) {
    const [year, month, date] = day.split("-").map(Number);
    return new Date(year, month - 1, date).toLocaleDateString("en-GB", { day: "numeric", month: "long", year: "numeric" });
  }

  /* A number as people write it: its value and sign, or what is wrong with it. */
  function read(text) {
    const wide = text.normalize("NFKC").replace(/\s+/g, " ").trim().replace("\u2212", "-").replace("\u2264", "<=").replace("\u2265", ">=");
    if (/^n\.?\s?d\.?$/i.test(wide)) return { nothing: true };
    const found = NUMBER.exec(wide);
    if (!found) return { wrong: "Write one number, with a point or a comma." };
    if (TWO_WAYS.test(found[2])) {
      const [whole, part] = found[2].split(/[.,]/);
      const places = part.replace(/0+$/, "") || "0";
      const small = `${whole}.${places.length < 3 ? places : places + "0"}`;
      return { wrong: `This can be ${whole}${part} or ${small}: write whichever it is.` };
    }
    return { sign: (found[1] || "").replace("=", ""), number: Number(found[2].replace(",", ".")) };
  }

  /* Fields, and what is wrong with them: text beside the field, tied to it, and a list above the form. */
  function complain(form, wrongs) {
    form.querySelectorAll(".wrong").forEach((place) => { place.hidden = true; place.textContent = ""; });
    form.querySelectorAll("[aria-invalid]").forEach((field) => field.removeAttribute("aria-invalid"));
    const summary = form.querySelector(".summary");
    summary.hidden = !wrongs.length;
    if (!wrongs.length) return;
    const list = element("ul");
    for (const [id, title, text] of wrongs) {
      at(id + "-wrong").textContent = text;
      at(id + "-wrong").hidden = false;
      const field = at(id);
      if (field.matches("fieldset")) field.querySelectorAll("input").forEach((one) => one.setAttribute("aria-invalid", "true"));
      else field.setAttribute("aria-invalid", "true");
      const item = element("li"), link = element("a", `${title}: ${text}`, { href: "#" + id });
      link.addEventListener("click", (event) => {
        event.preventDefault();
        (field.matches("fieldset") ? field.querySelector("input") : field).focus();
      });
      item.append(link);
      list.append(item);
    }
    summary.replaceChildren(element("p", "Nothing was kept yet. Please mend:"), list);
    summary.focus();
  }
  function tankOf(form) {
    const chosen = form.querySelector('input[name="tank"]:checked');
    return chosen ? chosen.value : "";
  }
  function commonWrongs(form, prefix) {
    const wrongs = [], day = form.elements.day.value;
    if (!day) wrongs.push([prefix + "-day", "Day", "Choose the day."]);
    else if (day > today()) wrongs.push([prefix + "-day", "Day", "This day is still to come."]);
    else if (day < sheet.first) wrongs.push([prefix + "-day", "Day", `The trial began on ${inWords(sheet.first)}.`]);
    if (!tankOf(form)) wrongs.push([prefix + "-tank", "Tank", "Choose the tank."]);
    return wrongs;
  }

  /* Readings. */
  const inputOf = (variable) => at("value-" + variable.id);
  const kitOf = (variable) => at("value-" + variable.id + "-kit");
  function unitOf(variable) {
    const kit = kitOf(variable) ? kitOf(variable).value : "";
    return variable.units.find((one) => one.kits.some((known) => known.id === kit)) || variable.units[0];
  }
  /* The kit that was chosen, or the only one there is. */
  function usedKit(variable) {
    const kits = unitOf(variable).kits, chosen = kitOf(variable) ? kitOf(variable).value : "";
    return kits.find((one) => one.id === chosen) || (!kitOf(variable) && kits.length === 1 ? kits[0] : null);
  }
  function lowestOf(variable) {
    const kit = usedKit(variable);
    return kit ? "<" + kit.limit : unitOf(variable).example;
  }
  function showUnits() {
    for (const variable of sheet.variables) {
      const unit = unitOf(variable);
      at("value-" + variable.id + "-unit").textContent = unit.shown ? ", " + unit.shown : "";
      const kit = usedKit(variable);
      const card = kit && kit.steps.length ? ` Colour card: the nearest of ${kit.steps.join(", ")}.` : "";
      at("value-" + variable.id + "-hint").textContent = unit.help.replace(unit.example, lowestOf(variable)) + card;
    }
  }
  function showPlanned() {
    const day = readingForm.elements.day.value, tank = tankOf(readingForm), planned = sheet.planned[day];
    let text = "";
    const due = new Set();
    if (planned) {
      const tanks = tank && planned[tank] ? [tank] : Object.keys(planned);
      tanks.forEach((one) => planned[one].forEach((place) => due.add(place)));
      text = "Planned for this day: " + [...due].sort((a, b) => a - b).map((place) => sheet.variables[place].title).join(", ") + ".";
    } else if (day) {
      const next = Object.keys(sheet.planned).find((one) => one > day);
      text = "Nothing is planned for this day; a late or further test is good all the same.";
      if (next) text += ` The next planned day is ${inWords(next)}.`;
    }
    at("planned").textContent = text;
    sheet.variables.forEach((variable, place) => inputOf(variable).closest(".field").classList.toggle("due", due.has(place)));
  }
  function readingOf(variable, wrongs) {
    const id = "value-" + variable.id, raw = inputOf(variable).value.trim();
    if (!raw) return null;
    const unit = unitOf(variable), kit = kitOf(variable) ? kitOf(variable).value : "", found = read(raw);
    let wrong = found.wrong || "";
    if (found.nothing && !unit.kits.length) wrong = `Write < and the lowest step of the kit, such as ${lowestOf(variable)}.`;
    else if (!wrong && !found.nothing) {
      if (variable.neverZero && found.number === 0) wrong = `A kit cannot show 0: write < and its lowest step, such as ${lowestOf(variable)}.`;
      else if (found.number < unit.low || found.number > unit.high) wrong = `${variable.title} lies between ${unit.range}. Look at the number and the unit.`;
    }
    if (wrong) wrongs.push([id, variable.title, wrong]);
    if (kitOf(variable) && !kit) wrongs.push([id + "-kit", "Kit for " + variable.title, "Choose the kit that showed this value."]);
    return { variable: variable.id, value: raw, unit: unit.unit, kit, found, known: unit, title: variable.title, shown: unit.shown };
  }
  const metBy = (one) => one.known.rules.filter((rule) => (
    (rule.below !== null && one.found.number < rule.below) || (rule.above !== null && one.found.number > rule.above)
  ));
  function alarmsOf(tank, readings) {
    return tank in sheet.samples ? [] : readings.flatMap((one) => metBy(one).map((rule) => (
      `${tank}, ${one.title} ${one.value} ${one.shown}: this can meet a stop rule. ${rule.text} Tell ${sheet.lead}.`
    )));
  }
  function unusualOf(readings) {
    return readings
      .filter((one) => !one.found.nothing && !one.found.sign && one.known.usual && !metBy(one).length)
      .filter((one) => one.found.number < one.known.usual[0] || one.found.number > one.known.usual[1])
      .map((one) => `${one.title} ${one.value} is unusual. It was kept; look once more at the number and the unit, and say so in a note if it is right.`);
  }
  readingForm.addEventListener("submit", (event) => {
    event.preventDefault();
    const wrongs = commonWrongs(readingForm, "reading");
    const readings = sheet.variables.map((variable) => readingOf(variable, wrongs)).filter(Boolean);
    const measured = sheet.samples[tankOf(readingForm)];
    for (const one of readings) {
      if (measured && one.variable !== measured) {
        const title = sheet.variables.find((variable) => variable.id === measured).title;
        wrongs.push(["value-" + one.variable, one.title, `The check sample ${tankOf(readingForm)} is measured for ${title} alone: leave this empty.`]);
      }
    }
    if (!readings.length && !wrongs.length) {
      wrongs.push(["value-" + sheet.variables[0].id, "Readings", "Fill in at least one reading."]);
    }
    say(at("reading-said"), []);
    say(at("alarm"), []);
    complain(readingForm, wrongs);
    if (wrongs.length) return;
    const tank = tankOf(readingForm), day = readingForm.elements.day.value, said = [];
    for (const one of readings) {
      const before = state.readings.filter((old) => old.tank === tank && old.day === day && old.variable === one.variable);
      const replicate = before.reduce((most, old) => Math.max(most, old.replicate), 0) + 1;
      if (replicate > 1) said.push(`${one.title} is kept as test ${replicate} of that day. If it mends a slip, take the other one out below.`);
      state.readings.push({
        tank, day, variable: one.variable, title: one.title, value: one.value, unit: one.unit, shown: one.shown, replicate, kit: one.kit,
        by: readingForm.elements.by.value.trim(), note: readingForm.elements.note.value.trim(), saved: false,
      });
      if (one.kit) state.kits[one.variable] = one.kit;
      inputOf(sheet.variables.find((variable) => variable.id === one.variable)).value = "";
    }
    state.by = readingForm.elements.by.value.trim();
    readingForm.elements.note.value = "";
    readingForm.querySelectorAll('input[name="tank"]').forEach((one) => { one.checked = false; });
    remember();
    show();
    say(at("reading-said"), [`Kept for ${tank}: ${readings.map((one) => `${one.title} ${one.value}`).join(", ")}.`, ...said, ...unusualOf(readings), "When all tanks are done, save and send below."]);
    say(at("alarm"), alarmsOf(tank, readings));
    readingForm.querySelector('input[name="tank"]').focus({ preventScroll: true });
    readingForm.scrollIntoView({ block: "start" });
  });

  /* Events. */
  function showKind() {
    const form = sheet.events[eventForm.elements.kind.value], unit = at("event-unit"), before = unit.value;
    const units = form ? form.units : [];
    at("event-amounts").hidden = !units.length;
    unit.replaceChildren(...units.map(([value, label]) => element("option", label, { value })));
    if (units.some(([value]) => value === before)) unit.value = before;
    at("event-caution").textContent = form ? form.caution : "";
    at("event-caution").hidden = !(form && form.caution);
  }
  eventForm.addEventListener("submit", (event) => {
    event.preventDefault();
    const wrongs = commonWrongs(eventForm, "event"), form = sheet.events[eventForm.elements.kind.value];
    const raw = form && form.units.length ? eventForm.elements.amount.value.trim() : "";
    if (!form) wrongs.push(["event-kind", "What happened", "Choose what happened."]);
    else if (form.units.length) {
      const found = raw ? read(raw) : { wrong: "Write how much, such as 2.5." };
      let wrong = found.wrong || "";
      if (!wrong && (found.nothing || found.sign || found.number < 0)) wrong = "Write a number alone, such as 2.5.";
      else if (!wrong && form.whole && !Number.isInteger(found.number)) wrong = "Write a whole number.";
      if (wrong) wrongs.push(["event-amount", "Amount", wrong]);
    }
    say(at("event-said"), []);
    complain(eventForm, wrongs);
    if (wrongs.length) return;
    const kept = {
      tank: tankOf(eventForm), day: eventForm.elements.day.value, kind: eventForm.elements.kind.value, title: form.title,
      amount: raw, unit: form.units.length ? eventForm.elements.unit.value : "", by: eventForm.elements.by.value.trim(),
      note: eventForm.elements.note.value.trim(), saved: false,
    };
    state.events.push(kept);
    state.by = kept.by;
    eventForm.elements.amount.value = eventForm.elements.note.value = eventForm.elements.kind.value = "";
    eventForm.querySelectorAll('input[name="tank"]').forEach((one) => { one.checked = false; });
    showKind();
    remember();
    show();
    say(at("event-said"), [`Kept for ${kept.tank}: ${kept.title}${kept.amount ? `, ${kept.amount} ${kept.unit === "1" ? "" : kept.unit}` : ""}.`]);
    eventForm.querySelector('input[name="tank"]').focus({ preventScroll: true });
    eventForm.scrollIntoView({ block: "start" });
  });

  /* What is kept, and the files made of it. */
  function lineOf(kind, one) {
    const unit = one.unit === "1" ? "" : kind === "readings" ? one.shown : one.unit;
    const value = kind === "readings" ? one.value : one.amount;
    const test = one.replicate > 1 ? `, test ${one.replicate}` : "";
    return { head: `${one.tank}: ${one.title} ${value} ${unit}`.trim() + test, foot: [inWords(one.day), one.kit, one.by, one.note, one.saved ? "saved" : "not saved yet"].filter(Boolean).join(", ") };
  }
  function show() {
    for (const kind of ["readings", "events"]) {
      const rows = state[kind];
      at(kind + "-list").replaceChildren(...rows.map((one, place) => {
        const item = element("li"), text = element("div"), line = lineOf(kind, one);
        text.append(element("div", line.head), element("div", line.foot, { className: "small" }));
        const out = element("button", "Take out", { type: "button" });
        out.setAttribute("aria-label", `Take out ${line.head}, ${line.foot}`);
        out.addEventListener("click", () => { state[kind].splice(place, 1); keep(); show(); at(kind + "-list-title").focus(); });
        item.append(text, out);
        return item;
      }));
      at(kind + "-count").textContent = rows.length ? `(${rows.length})` : "";
      at(kind + "-none").hidden = rows.length > 0;
      at(kind + "-list").hidden = !rows.length;
      at(kind + "-buttons").hidden = !rows.length;
      document.querySelector(`[data-clear="${kind}"]`).hidden = !rows.some((one) => one.saved);
      at(kind + "-text").value = rows.length ? tableOf(kind) : "";
      if (!rows.length) at(kind + "-copy").hidden = true;
    }
  }
  /* A spreadsheet takes a text that begins so for a formula. */
  const harmless = (text) => (/^[=+\-@\t\r]/.test(text) ? "'" + text : text);
  const cell = (text) => (/[",\r\n]/.test(text) ? `"${text.replace(/"/g, '""')}"` : text);
  function tableOf(kind) {
    const rows = kind === "readings"
      ? state.readings.map((one) => [one.tank, one.day, one.variable, one.value, one.unit, String(one.replicate), one.kit, harmless(one.by), harmless(one.note), sheet.site])
      : state.events.map((one) => [one.tank, one.day, one.kind, one.amount, one.unit, harmless(one.by), harmless(one.note), sheet.site]);
    return [sheet.columns[kind], ...rows].map((row) => row.map((text) => cell(text.replace(/\s+/g, " "))).join(",") + "\r\n").join("");
  }
  function saved(kind, text) {
    state[kind].forEach((one) => { one.saved = true; });
    keep();
    show();
    say(at(kind + "-saved"), [text]);
  }
  function download(kind, file) {
    const link = element("a", "", { href: URL.createObjectURL(file), download: file.name });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    saved(kind, `Saved as ${file.name}. Send that file to ${sheet.lead}. If no file came, show the text and copy it into a message.`);
  }
  function save(kind) {
    const file = new File(["\ufeff" + tableOf(kind)], `${sheet.stem}-${kind}.csv`, { type: "text/csv" });
    if (navigator.canShare && navigator.share && navigator.canShare({ files: [file] })) {
      navigator.share({ files: [file], title: file.name }).then(
        () => saved(kind, `Shared as ${file.name}.`),
        (error) => (error.name === "AbortError" ? say(at(kind + "-saved"), ["Not shared; everything is still here."]) : download(kind, file)),
      );
    } else if ("download" in HTMLAnchorElement.prototype) {
      download(kind, file);
    } else {
      at(kind + "-copy").hidden = false;
      at(kind + "-text").select();
    }
  }
  document.querySelectorAll("[data-save]").forEach((button) => button.addEventListener("click", () => save(button.dataset.save)));
  document.querySelectorAll("[data-show]").forEach((button) => button.addEventListener("click", () => {
    at(button.dataset.show + "-copy").hidden = false;
    at(button.dataset.show + "-text").focus();
    at(button.dataset.show + "-text").select();
  }));
  document.querySelectorAll("[data-clear]").forEach((button) => button.addEventListener("click", () => {
    const kind = button.dataset.clear;
    if (!window.confirm("Take what was saved off this phone? Do it only once the file has been sent.")) return;
    state[kind] = state[kind].filter((one) => !one.saved);
    keep();
    show();
    say(at(kind + "-saved"), ["What was saved is off this phone."]);
  }));

  /* What is half written stays too. */
  function remember() {
    for (const form of [readingForm, eventForm]) {
      const draft = { tank: tankOf(form) };
      for (const field of form.elements) {
        if (field.name && field.name !== "tank" && field.name !== "day") draft[field.name] = field.value;
      }
      state.draft[form.id] = draft;
    }
    keep();
  }
  function restore() {
    for (const form of [readingForm, eventForm]) {
      const draft = state.draft[form.id] || {};
      form.elements.day.value = today();
      form.elements.day.max = today();
      form.elements.by.value = state.by;
      for (const field of form.elements) {
        if (field.name === "tank") field.checked = Boolean(draft.tank) && field.value === draft.tank;
        else if (field.name in draft && field.name !== "day" && draft[field.name]) field.value = draft[field.name];
      }
    }
    for (const variable of sheet.variables) {
      const kit = kitOf(variable);
      if (!kit) continue;
      if (!kit.value && state.kits[variable.id]) kit.value = state.kits[variable.id];
      if (!kit.value && kit.options.length === 2) kit.selectedIndex = 1;
    }
    showKind();
    const draft = state.draft[eventForm.id] || {};
    if (draft.unit) at("event-unit").value = draft.unit;
  }
  document.querySelectorAll(".below").forEach((button) => button.addEventListener("click", () => {
    const variable = sheet.variables.find((one) => "value-" + one.id === button.dataset.for);
    inputOf(variable).value = lowestOf(variable);
    inputOf(variable).focus();
    remember();
  }));
  /* A complaint goes as soon as its field is touched; the list above stays until the next try. */
  function mended(field) {
    const place = at((field.name === "tank" ? field.closest("fieldset").id : field.id) + "-wrong");
    if (!place || place.hidden) return;
    place.hidden = true;
    (field.name === "tank" ? field.closest("fieldset").querySelectorAll("input") : [field]).forEach((one) => one.removeAttribute("aria-invalid"));
  }
  for (const form of [readingForm, eventForm]) {
    form.addEventListener("input", (event) => { mended(event.target); showUnits(); showPlanned(); remember(); });
  }
  at("event-kind").addEventListener("change", () => { showKind(); remember(); });
  document.querySelectorAll("h3[id]").forEach((title) => { title.tabIndex = -1; });
  load();
  restore();
  keep();
  showUnits();
  showPlanned();
  show();
})();
