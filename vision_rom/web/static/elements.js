// Small pieces of the review page: cells of its tables, items of its lists, words and colours.

export const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
export const degrees = (value) => (value === null || value === undefined ? "–" : `${Math.round(value)}°`);

export const listed = (sentences) => sentences.map((text) => {
  const item = document.createElement("li");
  item.textContent = text;
  return item;
});

export function cell(text, head = false) {
  const made = document.createElement(head ? "th" : "td");
  if (head) made.scope = "row";
  made.textContent = text;
  return made;
}

/** A cell with a number that may be changed; onChange null: may not. */
export function field(value, name, onChange) {
  const made = document.createElement("td");
  if (!onChange) { made.textContent = value.toFixed(2); return made; }
  const input = document.createElement("input");
  input.value = value.toFixed(2);
  input.size = 5; input.inputMode = "decimal";
  input.setAttribute("aria-label", name);
  input.addEventListener("change", () => onChange(Number(input.value.replace(",", "."))));
  made.append(input);
  return made;
}

/** A cell with a button; onClick null: an empty cell. */
export function button(text, name, onClick) {
  const made = document.createElement("td");
  if (!onClick) return made;
  const press = document.createElement("button");
  press.type = "button"; press.textContent = text;
  press.setAttribute("aria-label", name);
  press.addEventListener("click", onClick);
  made.append(press);
  return made;
}
