(() => {
  "use strict";
  const byId = (id) => document.getElementById(id);
  const about = document.body.dataset;
  const cards = JSON.parse(byId("cards").textContent);
  const practice = about.practice === "yes";
  const quantity = about.scale === "quantity";
  const KEY = "defectscan.deck." + about.deck;
  const SETTLE_MS = 350; // a tap that came twice is not a grade for the next photo
  const words = [...document.querySelectorAll(".grade span")].map((word) => word.textContent.replaceAll("\u00ad", ""));

  // Each session is kept by itself, so that the page opened twice loses nobody's grades.
  const OWN = KEY + ".session.";
  const parsed = (text) => {
    try {
      const told = JSON.parse(text);
      return told && typeof told === "object" ? told : null;
    } catch {
      return null;
    }
  };
  // Pages from disk may keep nothing in some browsers; the window's name outlives a reload there.
  const inName = {
    lasting: false,
    all: () => (window.name.startsWith(KEY + "=") && parsed(window.name.slice(KEY.length + 1))) || {},
    put: (all) => { window.name = KEY + "=" + JSON.stringify(all); },
    sessions: () => Object.values(inName.all()),
    read: (session) => inName.all()[session],
    write: (session, told) => inName.put({ ...inName.all(), [session]: told }),
    clear: (session) => inName.put({ ...inName.all(), [session]: undefined }),
  };
  const inStorage = {
    lasting: true,
    sessions: () => Object.keys(localStorage).filter((key) => key.startsWith(OWN)).map((key) => parsed(localStorage.getItem(key))),
    read: (session) => parsed(localStorage.getItem(OWN + session)),
    write: (session, told) => localStorage.setItem(OWN + session, JSON.stringify(told)),
    clear: (session) => localStorage.removeItem(OWN + session),
  };
  let store = inStorage;
  try {
    localStorage.setItem(KEY + ".probe", "1");
    localStorage.removeItem(KEY + ".probe");
  } catch {
    store = inName;
  }

  let state = null;
  let at = 0; // the card's number, from 0
  let shownAt = 0;
  let way = 0; // in practice: harder, easier, or as hard as the last

  const keep = () => {
    if (practice) return;
    try {
      store.write(state.session, state);
    } catch {
      store = inName;
      store.write(state.session, state);
    }
    byId("no-store").hidden = store.lasting;
  };
  const isSession = (found) =>
    found && typeof found.rater === "string" && typeof found.session === "string" && found.grades && typeof found.grades === "object";
  // What another tab gave in the same session counts, too, before anything is added to it.
  const catchUp = () => {
    const found = practice ? null : store.read(state.session);
    if (isSession(found)) state = found;
  };
  const begin = (rater) => {
    const bytes = crypto.getRandomValues(new Uint8Array(12));
    const session = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
    state = { rater, session, started_at: new Date().toISOString(), grades: {} };
    at = -1;
    way = 0;
    keep();
    proceed();
  };
  const isGraded = (card) => Object.hasOwn(state.grades, card);
  const nGraded = () => cards.filter((_, card) => isGraded(card)).length;

  const show = (id) => {
    for (const main of document.querySelectorAll("main")) main.hidden = main.id !== id;
    window.scrollTo(0, 0);
  };

  // ---- one photo ------------------------------------------------------------------------
  const stage = byId("stage");
  const views = [...document.querySelectorAll(".view")];
  const zoom = { scale: 1, x: 0, y: 0 };
  const place = () => {
    const box = views[0].getBoundingClientRect();
    zoom.scale = Math.min(8, Math.max(1, zoom.scale));
    zoom.x = Math.min(0, Math.max(box.width * (1 - zoom.scale), zoom.x));
    zoom.y = Math.min(0, Math.max(box.height * (1 - zoom.scale), zoom.y));
    for (const view of views)
      view.firstElementChild.style.transform = `translate(${zoom.x}px,${zoom.y}px) scale(${zoom.scale})`;
    stage.dataset.zoom = zoom.scale.toFixed(2);
  };
  const zoomBy = (factor, x, y) => {
    const box = views[0].getBoundingClientRect();
    const middle = { x: x ?? box.width / 2, y: y ?? box.height / 2 };
    const scale = Math.min(8, Math.max(1, zoom.scale * factor));
    zoom.x = middle.x - ((middle.x - zoom.x) * scale) / zoom.scale;
    zoom.y = middle.y - ((middle.y - zoom.y) * scale) / zoom.scale;
    zoom.scale = scale;
    place();
  };
  const whole = () => { Object.assign(zoom, { scale: 1, x: 0, y: 0 }); place(); };
  const pan = (x, y) => { zoom.x += x; zoom.y += y; place(); };
  const inView = (event) => {
    const view = event.target.closest?.(".view") ?? views[0];
    const box = view.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };
  const pointers = new Map();
  stage.addEventListener("pointerdown", (event) => {
    if (event.target.closest(".zoom")) return;
    pointers.set(event.pointerId, inView(event));
    stage.setPointerCapture?.(event.pointerId);
  });
  stage.addEventListener("pointermove", (event) => {
    const was = pointers.get(event.pointerId);
    if (!was) return;
    const box = views[0].getBoundingClientRect();
    const now = [event.clientX - box.left, event.clientY - box.top];
    const others = [...pointers].filter(([id]) => id !== event.pointerId);
    if (was.moved) {
      if (others.length) {
        const [, other] = others[0];
        const before = Math.hypot(was[0] - other[0], was[1] - other[1]);
        const after = Math.hypot(now[0] - other[0], now[1] - other[1]);
        if (before > 4) zoomBy(after / before, (now[0] + other[0]) / 2, (now[1] + other[1]) / 2);
      } else pan(now[0] - was[0], now[1] - was[1]);
    }
    pointers.set(event.pointerId, Object.assign(now, { moved: true }));
  });
  for (const name of ["pointerup", "pointercancel"])
    stage.addEventListener(name, (event) => pointers.delete(event.pointerId));
  stage.addEventListener("wheel", (event) => {
    event.preventDefault();
    zoomBy(Math.exp(-event.deltaY / 400), ...inView(event));
  }, { passive: false });
  stage.addEventListener("dblclick", (event) => {
    if (event.target.closest(".zoom")) return;
    if (zoom.scale > 1) whole(); else zoomBy(3, ...inView(event));
  });
  window.addEventListener("resize", () => { if (!byId("judge").hidden) place(); });
  byId("in").addEventListener("click", () => zoomBy(1.5));
  byId("out").addEventListener("click", () => zoomBy(1 / 1.5));
  byId("whole").addEventListener("click", whole);

  const overlay = byId("anchors");
  const anchors = (wanted) => {
    if (!quantity) return;
    overlay.hidden = !wanted;
    byId("show-anchors").setAttribute("aria-expanded", String(wanted));
  };
  if (quantity) {
    for (const figure of document.querySelectorAll("#start .anchors figure")) overlay.append(figure.cloneNode(true));
    byId("show-anchors").addEventListener("click", () => anchors(overlay.hidden));
    overlay.addEventListener("click", () => anchors(false));
  }

  const display = (card) => {
    at = card;
    show("judge");
    anchors(false);
    cards[card].views.forEach((data, i) => {
      const [photo, lines] = views[i].querySelectorAll("img");
      photo.src = "data:image/jpeg;base64," + data;
      lines.hidden = true;
      lines.removeAttribute("src");
    });
    const done = nGraded();
    const far = practice ? card + 1 : done; // in practice the bar shows how hard it is
    byId("done").style.width = (100 * far) / cards.length + "%";
    document.querySelector(".progress").setAttribute("aria-valuenow", far);
    byId("count").textContent = practice ? `No. ${done + 1}` : `${card + 1} of ${cards.length}`;
    byId("back").disabled = practice || card === 0;
    byId("ask").hidden = false;
    byId("answer").hidden = true;
    const given = state.grades[card];
    byId("given").textContent = given ? "You gave: " + spoken(given.grade) : "";
    for (const button of document.querySelectorAll(".grade"))
      button.classList.toggle("chosen", !!given && String(given.grade) === button.dataset.grade);
    if (!quantity) setPercent(given?.grade ?? "");
    whole();
    shownAt = performance.now();
    stage.focus({ preventScroll: true });
  };
  const spoken = (grade) => grade === null ? "cannot tell" : quantity ? `${grade}, ${words[grade]}` : `${grade} %`;

  // ---- giving a grade -------------------------------------------------------------------
  const give = (grade) => {
    const waited = performance.now() - shownAt;
    if (byId("judge").hidden || byId("ask").hidden || waited < SETTLE_MS) return;
    catchUp();
    delete state.saved; // the file that was saved does not hold this grade
    delete state.finished_at;
    const before = state.grades[at]?.seconds ?? 0;
    state.grades[at] = { grade, seconds: Math.round(before * 10 + waited / 100) / 10 };
    keep();
    if (practice) answer(grade);
    else proceed(at + 1);
  };
  const proceed = (from = 0) => {
    const left = cards.map((_, card) => card).filter((card) => !isGraded(card));
    if (!left.length) return finish();
    if (!practice) return display(left.find((card) => card >= from) ?? left[0]);
    // The cards of a practice deck lie in order, the easy ones first.
    if (at < 0) return display(Math.floor(cards.length / 3));
    const harder = left.filter((card) => card > at);
    const easier = left.filter((card) => card < at).reverse();
    if (way > 0) return harder.length ? display(harder[0]) : finish();
    return display(way < 0 ? easier[0] ?? harder[0] : harder[0] ?? easier[0]);
  };
  for (const button of document.querySelectorAll(".grade"))
    button.addEventListener("click", () => give(Number(button.dataset.grade)));
  byId("cannot").addEventListener("click", () => give(null));
  byId("back").addEventListener("click", () => { if (!practice && at > 0) display(at - 1); });

  const setPercent = (value) => {
    byId("percent").value = value;
    byId("slider").value = value === "" ? 50 : value;
    byId("give").disabled = value === "";
  };
  const percentNow = () => Number(byId("percent").value || byId("slider").value);
  if (!quantity) {
    byId("slider").addEventListener("input", () => setPercent(byId("slider").value));
    byId("percent").addEventListener("input", () => {
      const text = byId("percent").value;
      byId("give").disabled = text === "" || !byId("percent").checkValidity();
      if (text !== "") byId("slider").value = text;
    });
    for (const [id, step] of [["less", -5], ["more", 5]])
      byId(id).addEventListener("click", () => setPercent(Math.min(100, Math.max(-100, percentNow() + step))));
    byId("percent-form").addEventListener("submit", (event) => {
      event.preventDefault();
      if (byId("percent").value !== "" && byId("percent").checkValidity()) give(Number(byId("percent").value));
    });
  }

  document.addEventListener("keydown", (event) => {
    if (byId("judge").hidden || event.ctrlKey || event.metaKey || event.altKey) return;
    const { key } = event;
    const typing = event.target.matches?.("input[type=number], input[type=range]");
    const take = (action) => { event.preventDefault(); action(); };
    if (!byId("answer").hidden) {
      if (key === "Enter" && !event.repeat) take(() => proceed());
      else if (key.toLowerCase() === "l") take(() => byId("with-lines").click());
    } else if (event.repeat && /^[0-9xX]$|^Enter$/.test(key)) return take(() => {});
    else if (quantity && /^[0-5]$/.test(key)) return take(() => give(Number(key)));
    else if (!quantity && !typing && /^[0-9-]$/.test(key)) { byId("percent").value = ""; byId("percent").focus(); return; }
    else if (key.toLowerCase() === "x") return take(() => give(null));
    else if (key.toLowerCase() === "a" && quantity) return take(() => anchors(overlay.hidden));
    else if (key === "Backspace" && !typing) return take(() => byId("back").click());
    if (key === "+" || key === "=" || key === "PageUp") take(() => zoomBy(1.5));
    else if ((key === "-" && quantity) || key === "PageDown") take(() => zoomBy(1 / 1.5));
    else if (key.toLowerCase() === "z") take(whole);
    else if (!typing && key.startsWith("Arrow")) {
      const way = { ArrowLeft: [80, 0], ArrowRight: [-80, 0], ArrowUp: [0, 80], ArrowDown: [0, -80] }[key];
      take(() => pan(...way));
    }
  });

  // ---- practice -------------------------------------------------------------------------
  const off = (card) => {
    const { grade } = state.grades[card];
    const { value, low, at_least: atLeast } = cards[card].answer;
    if (grade === null) return null;
    return atLeast ? Math.min(0, grade - low) : grade - value; // from the lower limit upwards, none is off
  };
  const isHit = (by) => Math.abs(by) <= (quantity ? 0 : 5);
  const isNear = (by) => Math.abs(by) <= (quantity ? 1 : 15);
  // Rounding makes no 0 or 100: with more decimals, and at last by telling the side.
  const number = (value, round = Math.round) => {
    const isEdge = (rounded) => (rounded === 0 || rounded === 100) && rounded !== value;
    const to = (places) => round(value * 10 ** places) / 10 ** places;
    const few = Math.abs(value) < 10 ? 1 : 0;
    const places = [few, few + 1, few + 2].find((some) => !isEdge(to(some)));
    if (places !== undefined) return String(to(places));
    return `${value > to(0) ? "over" : "under"} ${Math.abs(to(0))}`;
  };
  const answer = (grade) => {
    const told = cards[at].answer;
    const by = off(at);
    way = by === null ? 0 : isHit(by) ? 1 : isNear(by) ? 0 : -1;
    const source = told.source === "true" ? "True value" : "Measured";
    const range = told.low !== null && told.low !== told.high && !told.at_least ? ` (${number(told.low)} to ${number(told.high)})` : "";
    const { density_mm_per_cm2: found, detection_limit_mm_per_cm2: limit } = told;
    const amount = limit !== null && found < limit ? `under ${Number(limit.toPrecision(3))}` : number(found);
    const density = found !== null && quantity ? `, ${amount} mm of line per cm²` : "";
    const exact = told.at_least ? `at least ${number(told.low, Math.floor)}` : number(told.value);
    const value = quantity ? `${told.value}, ${words[told.value]}` : `${exact} %`;
    const how = by === null ? "" : isHit(by) ? "Well seen. " : isNear(by) ? `Close: a little too ${by > 0 ? "high" : "low"}. ` : `Too ${by > 0 ? "high" : "low"} this time. `;
    document.querySelector("#answer .verdict").textContent = `${how}${source}: ${value}${range}${density}`;
    document.querySelector("#answer .look").textContent = (grade === null ? "" : `You gave ${spoken(grade)}. `) + told.look;
    byId("ask").hidden = true;
    byId("answer").hidden = false;
    lines();
    byId("next").focus({ preventScroll: true });
  };
  const lines = () => {
    const wanted = byId("with-lines").checked && !byId("answer").hidden;
    views.forEach((view, i) => {
      const image = view.querySelector(".lines");
      const data = cards[at].overlays?.[i];
      image.hidden = !wanted || !data;
      if (wanted && data) image.src = "data:image/png;base64," + data;
    });
  };
  byId("with-lines").addEventListener("change", lines);
  byId("next").addEventListener("click", () => proceed());

  // ---- the end --------------------------------------------------------------------------
  const result = () => {
    const one = (card) => JSON.stringify({ card: card + 1, ...state.grades[card] });
    const head = {
      format: "defectscan.grades/1", version: about.version, deck: about.deck, scale: about.scale,
      rater: state.rater, session: state.session, started_at: state.started_at, finished_at: state.finished_at,
    };
    const lines = Object.entries(head).map(([name, value]) => ` ${JSON.stringify(name)}: ${JSON.stringify(value)},`);
    return ["{", ...lines, ' "grades": [', cards.map((_, card) => "  " + one(card)).join(",\n"), " ]", "}", ""].join("\n");
  };
  let address = null;
  const offer = () => {
    if (!state.finished_at) state.finished_at = new Date().toISOString();
    keep();
    const text = result();
    const bare = state.rater.normalize("NFKD").replace(/[^A-Za-z0-9]+/g, "_").replace(/^_+|_+$/g, "").slice(0, 30);
    if (address) URL.revokeObjectURL(address);
    address = URL.createObjectURL(new Blob([text], { type: "application/json" }));
    const save = byId("save");
    save.href = address;
    save.download = `grades_${about.deck}_${bare || "rater"}_${state.session.slice(0, 4)}.json`;
    document.querySelector("#as-text textarea").value = text;
    byId("saved").hidden = !state.saved;
    byId("saved").textContent = state.saved ? `Saved as ${save.download}, where this device keeps downloads.` : "";
  };
  const finish = () => {
    show("end");
    byId("save-row").hidden = byId("as-text").hidden = practice;
    byId("end-kicker").textContent = state.rater;
    byId("another").textContent = practice ? "Once more" : "Next person";
    if (practice) return summarise();
    byId("end-title").textContent = "All graded, thank you.";
    byId("end-text").textContent = "Save your grades and hand the file to whoever runs the judging. Nothing has been sent anywhere.";
    offer();
  };
  const summarise = () => {
    // A lower limit alone is no value to hit, nor to lean from.
    const valued = cards.map((_, card) => card).filter((card) => isGraded(card) && !cards[card].answer.at_least);
    const found = valued.map(off).filter((by) => by !== null);
    const hits = found.filter(isHit).length;
    const near = found.filter((by) => !isHit(by) && isNear(by)).length;
    const mean = found.reduce((sum, by) => sum + by, 0) / (found.length || 1);
    byId("end-title").textContent = "Practice done.";
    byId("end-text").textContent = `${hits} of ${found.length} hit ${quantity ? "the grade" : "within 5 points"}, ${near} more ${quantity ? "one step off" : "within 15 points"}.`;
    const lean = !found.length ? "No grade could be held against a value." : Math.abs(mean) < (quantity ? 0.25 : 3) ? "You lean neither way." : `On average you gave ${number(Math.abs(mean))}${quantity ? " of a grade" : " points"} too ${mean > 0 ? "much" : "little"}.`;
    byId("summary").replaceChildren(...[lean, "One round proves little: what counts is a blind deck some days later."].map((text) => {
      const item = document.createElement("li");
      item.textContent = text;
      return item;
    }));
  };
  byId("save").addEventListener("click", () => {
    catchUp();
    state.saved = true;
    offer();
  });
  byId("look-again").addEventListener("click", () => display(cards.length - 1));
  byId("another").addEventListener("click", () => {
    catchUp();
    if (!practice && !forget(state)) return;
    state = null;
    byId("name").value = "";
    greet();
    show("start");
  });

  // ---- the beginning --------------------------------------------------------------------
  byId("who").addEventListener("submit", (event) => {
    event.preventDefault();
    const rater = byId("name").value.trim().replace(/\s+/g, " ");
    if (rater) begin(rater);
  });
  const forget = (session) => {
    if (!session.saved && !confirm(`The grades of ${session.rater} are not saved, and are lost then. Delete them?`)) return false;
    store.clear(session.session);
    return true;
  };
  const greeting = (found) => {
    const row = byId("one-kept").content.cloneNode(true);
    const n = cards.filter((_, card) => Object.hasOwn(found.grades, card)).length;
    row.querySelector("p").textContent = `Welcome back, ${found.rater}: ${n} of ${cards.length} are graded.`;
    const [goOn, drop] = row.querySelectorAll("button");
    goOn.setAttribute("aria-label", `Go on as ${found.rater}`);
    goOn.addEventListener("click", () => { state = found; catchUp(); proceed(); });
    drop.setAttribute("aria-label", `Delete the grades of ${found.rater}`);
    drop.addEventListener("click", () => { if (forget(store.read(found.session) ?? found)) greet(); });
    return row;
  };
  const greet = () => {
    const found = practice ? [] : store.sessions().filter(isSession).sort((a, b) => (a.started_at < b.started_at ? -1 : 1));
    byId("kept").replaceChildren(...found.map(greeting));
    byId("resume").hidden = !found.length;
    byId("who").hidden = !!found.length;
  };
  byId("start-over").addEventListener("click", () => {
    byId("who").hidden = false;
    byId("resume").hidden = true;
    byId("name").focus();
  });
  byId("no-store").hidden = practice || store.lasting;
  // Pages of before kept one session, under the deck's own key.
  const older = store.lasting && !practice ? parsed(localStorage.getItem(KEY)) : null;
  if (isSession(older)) {
    store.write(older.session, older);
    localStorage.removeItem(KEY);
  }
  greet();
})();
