// The panels beside the photo: the list of photos, what is known, and the measures.

const UNITS = { mm: [" mm", 1], deg: ["°", 1], mm2: [" cm²", 0.01], percent: [" %", 1] };
const RANKS = ["the outline needs a person", "needs a look", "refused, for another reason", "measured"];

const element = (name, text, attributes = {}) => {
  const out = document.createElement(name);
  if (text) out.textContent = text;
  for (const [key, value] of Object.entries(attributes)) out.setAttribute(key, value);
  return out;
};

export function showList(parent, photos, current, open) {
  parent.replaceChildren(
    ...photos.map((photo) => {
      const button = element("button", photo.name, { type: "button" });
      const saved = photo.drawn ? ", has an outline file" : "";
      button.append(element("small", `${photo.animal} ${photo.foot || ""} ${photo.view || ""}`.trim()));
      button.append(element("small", RANKS[photo.rank] + saved));
      if (photo.index === current) button.setAttribute("aria-current", "true");
      button.addEventListener("click", () => open(photo.index));
      const line = element("li");
      line.append(button);
      return line;
    }),
  );
}

export const progressText = (photos) => {
  const left = photos.filter((photo) => photo.rank < 2 && !photo.drawn).length;
  return left ? `${left} of ${photos.length} still wait for a drawing.` : `${photos.length} photos, none is waiting.`;
};

export function showReasons(parent, reasons) {
  const words = { refused: "Refused: ", review: "Look: ", note: "Note: " };
  parent.replaceChildren(...reasons.map((each) => element("li", `${words[each.effect]}${each.message} ${each.advice || ""}`)));
}

function valueText(measure) {
  if (measure.value === null) return "not taken";
  const [unit, factor] = UNITS[measure.unit];
  const digits = measure.uncertainty * factor >= 10 ? 0 : 1;
  return `${(measure.value * factor).toFixed(digits)} ± ${(measure.uncertainty * factor).toFixed(digits)}${unit}`;
}

const worded = (name, words) => words[name] || (name.endsWith("_percent") && words[name.slice(0, -8)]) || name;

// One table a claw; a value that the last change moved is set in bold behind an arrow.
export function showMeasures(parent, result, before, words) {
  const table = (title, measures, earlier) => {
    const out = element("table");
    out.append(element("caption", title));
    const body = element("tbody");
    for (const [name, measure] of Object.entries(measures)) {
      const row = element("tr");
      row.append(element("th", worded(name, words), { scope: "row" }));
      const text = valueText(measure);
      const cell = element("td", text, { "data-measure": name });
      if (measure.reason) cell.title = measure.reason;
      if (earlier && earlier[name] && valueText(earlier[name]) !== text) cell.classList.add("changed");
      row.append(cell);
      body.append(row);
    }
    out.append(body);
    return out;
  };
  const tables = Object.entries(result.claws).map(([name, claw]) =>
    table(`${name} claw`, claw.measures, before && before.claws[name] && before.claws[name].measures),
  );
  if (Object.keys(result.foot_measures).length) {
    tables.push(table("outer against inner", result.foot_measures, before && before.foot_measures));
  }
  parent.replaceChildren(...tables);
}

// What a reader of the page hears after a change: the first two measures of the claw at hand.
export function spoken(result, active, words) {
  const claw = result.claws[active] || Object.values(result.claws)[0];
  if (!claw) return "Nothing could be measured.";
  const told = Object.entries(claw.measures).filter(([, measure]) => measure.value !== null).slice(0, 2);
  return told.map(([name, measure]) => `${worded(name, words)} ${valueText(measure)}`).join(", ") || "No measure could be taken.";
}

export function fillSelect(select, values, chosen, empty, locked) {
  const options = values.map((value) => element("option", value, { value }));
  if (empty) options.unshift(element("option", empty, { value: "" }));
  select.replaceChildren(...options);
  select.value = chosen || "";
  select.disabled = locked;
}

export function showClaws(fieldset, names, active, choose) {
  fieldset.replaceChildren(
    element("legend", "Claw"),
    ...names.map((name) => {
      const label = element("label");
      const input = element("input", "", { type: "radio", name: "claw", value: name });
      input.checked = name === active;
      input.addEventListener("change", () => choose(name));
      label.append(input, element("span", name));
      return label;
    }),
  );
}
