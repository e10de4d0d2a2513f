// The lookout stays true without being loaded again, and can be worked by single keys. Without it the page is the same,
// only still.

const EVERY_MS = 5000;
const STALE_MS = 60000;

class LiveRows extends HTMLElement {
  connectedCallback() {
    this.etag = this.dataset.etag;
    this.token = this.dataset.token;
    this.good = Date.now();
    this.paused = false;
    this.fresh = null; // the newest list, while it waits to be shown
    this.told = new Map([...this.rows()].map((row) => [row.dataset.site, this.cells(row)]));
    for (const one of this.querySelectorAll("[data-act]")) one.hidden = one.dataset.act === "show";
    for (const one of this.querySelectorAll("[data-without]")) one.hidden = true;
    this.addEventListener("click", (event) => this.act(event));
    document.addEventListener("visibilitychange", () => document.hidden || this.ask());
    this.timer = setInterval(() => this.ask(), EVERY_MS);
  }

  disconnectedCallback() {
    clearInterval(this.timer);
  }

  rows(within = this) {
    return within.querySelectorAll("tr[data-site]");
  }

  // What a row's cells say, as they came from the server: an opened list of a cell is no change of it.
  cells(row) {
    return [...row.cells].map((cell) => cell.innerHTML);
  }

  act(event) {
    const act = event.target.closest("[data-act]")?.dataset.act;
    if (act === "show") this.show();
    if (act === "pause") {
      this.paused = !this.paused;
      event.target.closest("button").setAttribute("aria-pressed", String(this.paused));
      this.ask();
    }
  }

  async ask() {
    this.tell();
    if (this.paused || document.hidden || this.asking) return;
    this.asking = true;
    try {
      const answer = await fetch(this.dataset.changes, {
        cache: "no-store",
        redirect: "manual",
        headers: { "If-None-Match": this.etag, "Lookout-Token": this.token },
      });
      if (answer.type === "opaqueredirect" || answer.status === 403 || answer.status === 404) {
        clearInterval(this.timer);
        this.querySelector('[data-stale="out"]')?.removeAttribute("hidden");
      } else if (answer.status === 304 || answer.ok) {
        const text = answer.ok ? await answer.text() : "";
        this.good = Date.now();
        this.etag = answer.headers.get("ETag") ?? this.etag;
        this.token = answer.headers.get("Lookout-Token") ?? this.token;
        const [time, at] = [this.querySelector("time"), answer.headers.get("Lookout-Time")];
        if (time && at) time.textContent = decodeURIComponent(at);
        if (text) this.apply(new DOMParser().parseFromString(text, "text/html"));
      }
    } catch {
      // No connection: the banner says so once it lasts.
    } finally {
      this.asking = false;
      this.tell();
    }
  }

  tell() {
    const stale = Date.now() - this.good > STALE_MS;
    const show = (name, on) => this.querySelector(`[data-stale="${name}"]`)?.toggleAttribute("hidden", !on);
    show("lost", stale && !this.paused);
    show("paused", stale && this.paused);
  }

  apply(page) {
    const held = [...this.rows()].find((row) => row.matches(":hover") || row.contains(document.activeElement));
    const before = held?.getBoundingClientRect().top;
    for (const block of this.querySelectorAll("[data-live]")) {
      const now = page.querySelector(`[data-live="${block.dataset.live}"]`);
      if (block.dataset.live !== "rows" && now) this.exchange(block, now);
    }
    this.applyRows(page);
    // Whatever grew above it, the row that somebody points at stays where it is.
    if (held?.isConnected) window.scrollBy(0, held.getBoundingClientRect().top - before);
  }

  // A block keeps the height it had, so that what is below it never moves up.
  exchange(block, now) {
    if (block.innerHTML === now.innerHTML || this.isUsed(block)) return;
    block.style.minHeight = `${block.offsetHeight}px`;
    block.innerHTML = now.innerHTML;
  }

  isUsed(block) {
    return block.contains(document.activeElement) || block.querySelector("details[open]") !== null;
  }

  applyRows(page) {
    const fresh = [...this.rows(page)];
    const codes = fresh.map((row) => row.dataset.site);
    const shown = [...this.rows()];
    const changed = [];
    for (const row of shown) {
      const at = codes.indexOf(row.dataset.site);
      if (at < 0) this.leave(row);
      else if (this.renew(row, fresh[at])) changed.push(row.querySelector(".place a").textContent);
    }
    const here = new Set(shown.map((row) => row.dataset.site));
    const added = codes.filter((code) => !here.has(code)).length;
    const kept = shown.map((row) => row.dataset.site).filter((code) => codes.includes(code));
    const order = kept.some((code, place) => code !== codes.filter((one) => here.has(one))[place]);
    this.fresh = page.querySelector('[data-live="rows"]');
    this.offer(added, order || kept.length < shown.length);
    this.say(changed);
  }

  // Cell by cell, so that a list which somebody has opened or a link that has the focus stays.
  renew(row, now) {
    const known = this.told.get(row.dataset.site) ?? [];
    const next = this.cells(now);
    const wasGone = row.classList.contains("gone");
    if (!wasGone && next.length === known.length && next.every((html, place) => html === known[place])) return false;
    row.style.height = `${row.offsetHeight}px`;
    [...row.cells].forEach((cell, place) => {
      if ((wasGone || next[place] !== known[place]) && !this.isUsed(cell)) cell.innerHTML = next[place];
    });
    this.told.set(row.dataset.site, next);
    row.className = now.className;
    void row.offsetWidth; // lets the mark fade anew
    row.classList.add("changed");
    return true;
  }

  leave(row) {
    const why = row.querySelector(".why");
    if (row.classList.contains("gone") || !why) return;
    row.style.height = `${row.offsetHeight}px`;
    why.textContent = this.querySelector("[data-gone]").textContent;
    row.classList.add("gone");
  }

  offer(added, order) {
    const button = this.querySelector('[data-act="show"]');
    if (!button) return location.reload(); // the page was empty; now it is not
    button.hidden = !added && !order;
    const words = added === 1 ? button.dataset.one : added ? button.dataset.many : button.dataset.order;
    const text = words.replace("{n}", added);
    if (!button.hidden && button.textContent !== text) button.textContent = text;
  }

  say(changed) {
    const said = this.querySelector("[data-said]");
    if (!changed.length || !said) return;
    said.textContent =
      changed.length === 1
        ? said.dataset.one.replace("{site}", changed[0])
        : said.dataset.many.replace("{n}", changed.length);
  }

  show() {
    const block = this.querySelector('[data-live="rows"]');
    if (!this.fresh || !block) return;
    const here = new Set([...this.rows()].map((row) => row.dataset.site));
    block.innerHTML = this.fresh.innerHTML;
    this.told = new Map([...this.rows()].map((row) => [row.dataset.site, this.cells(row)]));
    const added = [...this.rows()].filter((row) => !here.has(row.dataset.site));
    for (const row of added) row.classList.add("changed");
    for (const one of this.querySelectorAll("[data-live]")) one.style.minHeight = "";
    this.querySelector('[data-act="show"]').hidden = true;
    (added[0] ?? this.rows()[0])?.querySelector("a")?.focus();
  }
}

customElements.define("live-rows", LiveRows);

// Single keys. They can be switched off (WCAG 2.1.4), which this browser remembers.

const OFF = "wickround-keys-off";
const sheet = document.querySelector("dialog.keys");
const box = sheet?.querySelector("[data-keys]");

function isOff() {
  try {
    return localStorage.getItem(OFF) === "1";
  } catch {
    return false;
  }
}

if (box) {
  box.checked = !isOff();
  box.addEventListener("change", () => {
    try {
      localStorage.setItem(OFF, box.checked ? "0" : "1");
    } catch {
      // Nothing is kept in this browser; then the keys act until the page is left.
    }
  });
}

const rows = () => [...document.querySelectorAll("tr[data-site]")];
const current = () => rows().find((row) => row.contains(document.activeElement));

function step(by) {
  const all = rows();
  const at = all.indexOf(current());
  const next = all[at < 0 ? (by > 0 ? 0 : all.length - 1) : Math.min(Math.max(at + by, 0), all.length - 1)];
  next?.querySelector(".place a").focus();
  next?.scrollIntoView({ block: "nearest" });
}

function pressed(key) {
  if (key === "j") return step(1);
  if (key === "k") return step(-1);
  if (key === "?") return sheet?.showModal();
  if (key === "/") return (document.querySelector('[name="for"]') ?? document.querySelector(".filter select"))?.focus();
  const act = "anmc".includes(key) && current()?.querySelector(`[data-key="${key}"]`);
  if (!act) return false;
  return act.click();
}

document.addEventListener("keydown", (event) => {
  // A sheet that was closed just now keeps the focus until the next frame; nobody types into it.
  const closed = event.target.closest?.("dialog:not([open])");
  const typing = !closed && event.target.closest?.("input, select, textarea, dialog, [contenteditable]");
  if (event.ctrlKey || event.metaKey || event.altKey || typing || event.key.length !== 1) return;
  if (box && !box.checked) return;
  if (pressed(event.key) !== false) event.preventDefault();
});

document.addEventListener("click", (event) => {
  if (event.target.closest('[data-act="keys"]')) sheet?.showModal();
  // A list that is open closes when somebody goes on.
  for (const list of document.querySelectorAll(".do details[open]")) {
    if (!list.contains(event.target)) list.open = false;
  }
});
document.addEventListener("keydown", (event) => {
  const list = event.key === "Escape" && document.querySelector(".do details[open]");
  if (list) {
    list.open = false;
    list.querySelector("summary").focus();
  }
});
