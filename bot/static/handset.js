"use strict";
// The phone of the demonstration. It posts to the bot's webhooks as a gateway would, and reads
// once a second what the demo's gateway laid on the phones. It decides nothing.

const EVERY_MS = 1000;
const PATIENCE_MS = 10000; // as long as a carrier waits for the answer to a dialled code

const $ = (id) => document.getElementById(id);
const line = $("handset").dataset;
const hooks = `${line.base}/hooks/${encodeURIComponent(line.key)}`;

// What has been read on each phone, so that a reloaded page does not call old messages new.
const read = JSON.parse(sessionStorage.getItem("read") || "{}");
const threads = new Map(); // phone -> what its message list shows, in order
const heard = new Map(); // phone -> number of the last message noticed
let people = [];
let call = null; // the open USSD session: its id and the answers so far
let draft = null; // the SMS on its way; kept after a failure so that a second try is the same SMS
let sound = null;

const holder = () => people.find((person) => person.phone === $("who").value);
const thread = (phone) => threads.get(phone) || threads.set(phone, []).get(phone);
const unread = (person) => Math.max(0, person.newest - (read[person.phone] || 0));
const unique = () => `h${Date.now().toString(36)}${crypto.getRandomValues(new Uint32Array(1))[0].toString(36)}`;

function clockTime(moment, zone) {
  const form = { hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" };
  if (zone) form.timeZone = zone;
  return new Date(moment).toLocaleTimeString("en-GB", form);
}

function element(tag, text, className) {
  const made = document.createElement(tag);
  if (text) made.textContent = text;
  if (className) made.className = className;
  return made;
}

async function get(path) {
  const answer = await fetch(`${line.base}/handset/${path}`, { signal: AbortSignal.timeout(PATIENCE_MS) });
  if (!answer.ok) throw new Error(`${path}: ${answer.status}`);
  return answer.json();
}

async function post(url, fields) {
  const body = new URLSearchParams(fields);
  const answer = await fetch(url, { method: "POST", body, signal: AbortSignal.timeout(PATIENCE_MS) });
  if (!answer.ok) throw new Error(`${answer.status}`);
  return answer.text();
}

// Redraw only what changed: a screen reader and a selection stay undisturbed.
function redraw(target, children, state) {
  const now = JSON.stringify(state);
  if (target.drawn === now) return false;
  target.drawn = now;
  target.replaceChildren(...children());
  return true;
}

// ---- messages ------------------------------------------------------------------------------

function showMessages() {
  const person = holder();
  if (!person) return;
  const entries = thread(person.phone);
  const drawn = redraw($("messages"), () => entries.length ? entries.map((entry) => {
    const item = element("li");
    const from = entry.mine ? `${person.name} to ${line.sms}` : `From ${line.sms}`;
    item.append(element("p", `${clockTime(entry.at, person.zone)} ${from}`, "when"), element("p", entry.text));
    return item;
  }) : [element("li", "No messages.")], [person.phone, entries]);
  if (drawn) $("messages").scrollTop = $("messages").scrollHeight;
}

async function fetchMessages(person) {
  const from = heard.get(person.phone) || 0;
  if (person.newest <= from) return;
  const arrived = await get(`inbox.json?phone=${encodeURIComponent(person.phone)}&after=${from}`);
  // Another reading may have brought some of them while this one was on its way.
  const added = arrived.filter((message) => message.n > (heard.get(person.phone) || 0));
  for (const message of added) {
    thread(person.phone).push(message);
    heard.set(person.phone, message.n);
  }
  const fresh = added.filter((message) => message.n > (read[person.phone] || 0));
  if (fresh.length) notice(person, fresh);
}

function notice(person, messages) {
  $("news").textContent = messages.map((message) => `New message for ${person.name}: ${message.text}`).join(" ");
  if (sound) beep();
}

function beep() {
  const tone = sound.createOscillator();
  const level = sound.createGain();
  level.gain.value = 0.2;
  tone.frequency.value = 880;
  tone.connect(level).connect(sound.destination);
  tone.start();
  tone.stop(sound.currentTime + 0.3);
}

$("sms").addEventListener("submit", async (event) => {
  event.preventDefault();
  const text = $("text").value.trim();
  const person = holder();
  if (!text || !person || $("sms").busy) return;
  if (!draft || draft.text !== text || draft.from !== person.phone) {
    draft = { from: person.phone, to: line.sms, text, date: new Date().toISOString(), id: unique(), linkId: "", networkCode: line.network };
  }
  $("sms").busy = true;
  $("sms-state").textContent = "Sending.";
  try {
    await post(`${hooks}/sms`, draft);
    thread(draft.from).push({ mine: true, text, at: draft.date });
    draft = null;
    $("text").value = "";
    $("sms-state").textContent = "Sent.";
  } catch {
    $("sms-state").textContent = "Not sent. Press Send to try again.";
  }
  $("sms").busy = false;
  showMessages();
});

// ---- the call ------------------------------------------------------------------------------

// The keyboard stays with the call if it was there, and is never taken from elsewhere.
function callOpen(open) {
  const here = $("call").contains(document.activeElement);
  $("answer").disabled = $("reply").disabled = $("hang").disabled = !open;
  $("answer").value = "";
  if (here) (open ? $("answer") : $("dial")).focus();
}

async function say(answers) {
  const mine = call;
  if (mine.busy) return;
  mine.busy = true;
  try {
    const body = await post(`${hooks}/ussd`, {
      sessionId: mine.id, phoneNumber: mine.phone, networkCode: line.network,
      serviceCode: line.ussd, text: answers.join("*"),
    });
    if (mine !== call) return; // hung up meanwhile
    mine.answers = answers;
    const goesOn = body.startsWith("CON");
    $("screen").textContent = body.replace(/^(CON|END) ?/, "") + (goesOn ? "" : "\n\n(The call has ended.)");
    if (!goesOn) call = null;
    callOpen(goesOn);
  } catch {
    if (mine !== call) return;
    if (!mine.answers) call = null;
    const next = call ? "Send the answer again, or hang up and dial." : "Dial again.";
    $("screen").textContent = `No answer from the network. ${next}`;
  } finally {
    mine.busy = false;
  }
}

function hangUp(words) {
  if (!call) return;
  call = null;
  $("screen").textContent = words;
  callOpen(false);
}

$("dial").addEventListener("click", () => {
  if (!holder()) return;
  call = { id: unique(), phone: holder().phone, answers: null };
  $("screen").textContent = "Dialling.";
  say([]);
});

$("hang").addEventListener("click", () => hangUp("You hung up."));

$("ussd").addEventListener("submit", (event) => {
  event.preventDefault();
  const answer = $("answer").value.trim();
  if (call && answer) say([...call.answers, answer]);
});

// ---- who, and what the bot knows -----------------------------------------------------------

// The options stay and only their words change, so that an open list is not closed by a message.
function showChoices() {
  const chosen = $("who").value || sessionStorage.getItem("who");
  redraw($("who"), () => people.map((person) => {
    const option = element("option");
    option.value = person.phone;
    option.selected = person.phone === chosen;
    return option;
  }), people.map((person) => person.phone));
  people.forEach((person, i) => {
    const news = unread(person) ? ` (${unread(person)} new)` : "";
    const words = `${person.name}${news}, ${person.role}, ${person.facility}`;
    if ($("who").options[i].textContent !== words) $("who").options[i].textContent = words;
  });
}

function choose(phone) {
  $("who").value = phone;
  $("who").dispatchEvent(new Event("change"));
  $("who").focus();
}

// A closed list hides who has news, so they are named beside it, each a button to her phone.
function showUnread() {
  const some = people.filter((person) => unread(person));
  redraw($("unread"), () => some.length ? ["New messages: ", ...some.flatMap((person) => {
    const button = element("button", `${person.name} (${unread(person)} new)`);
    button.type = "button";
    button.addEventListener("click", () => choose(person.phone));
    return [button, " "];
  })] : ["No new messages on other phones."], some.map((person) => [person.phone, unread(person)]));
}

function showPeople() {
  showChoices();
  showUnread();
  const waiting = people.reduce((sum, person) => sum + unread(person), 0);
  document.title = `${waiting ? `(${waiting}) ` : ""}Handset: Soakbell`;
  const person = holder();
  if (!person) return;
  $("off").checked = person.off;
  const lost = person.lost ? ` Messages lost because the phone was off: ${person.lost}.` : "";
  redraw($("about-person"), () => [`Phone ${person.phone}.${lost}`], [person.phone, lost]);
}

function markRead(person) {
  if (document.hidden) return;
  read[person.phone] = person.newest;
  sessionStorage.setItem("read", JSON.stringify(read));
}

function rows(table, entries, cells) {
  return redraw(table.tBodies[0], () => entries.map((entry) => {
    const row = element("tr");
    row.append(...cells(entry).map((text) => element("td", text)));
    return row;
  }), entries);
}

function sentences(batch, now, zone) {
  if (!batch) return [element("p", "No batch is open on this phone.")];
  const parts = [element("p", [`Batch ${batch.id}.`, ...batch.about].join(" "))];
  if (batch.due) {
    const left = Math.round((Date.parse(batch.due) - Date.parse(now)) / 1000);
    const wait = left > 0 ? `in ${Math.floor(left / 60)} min ${left % 60} s` : "now due";
    parts.push(element("p", `Bell at ${clockTime(batch.due, zone)}, ${wait}.`));
  }
  if (batch.outcome) parts.push(element("p", `This batch is over: ${batch.outcome}.`));
  if (batch.findings.length) {
    const list = element("ul");
    list.append(...batch.findings.map((text) => element("li", text)));
    parts.push(element("p", "Not READY because:"), list);
  } else {
    parts.push(element("p", "The log holds everything that a release needs."));
  }
  return parts;
}

function condition(set, zone) {
  if (!set.until) return set.condition;
  const day = new Date(set.until).toLocaleDateString("en-GB", zone ? { timeZone: zone } : {});
  return `${set.condition} until ${day}`;
}

async function showKnown(person) {
  const { batch, conditions, now } = await get(`knows.json?phone=${encodeURIComponent(person.phone)}`);
  if (person.phone !== $("who").value) return;
  redraw($("batch"), () => sentences(batch, now, person.zone), [batch, batch && batch.due ? now : ""]);
  rows($("sets"), conditions, (set) => [`${set.id}, ${set.model}`, condition(set, person.zone)]);
  const longer = rows($("log"), batch ? batch.log : [],
    (entry) => [clockTime(entry.at, person.zone), entry.by, entry.what]);
  if (longer) $("log-box").scrollTop = $("log-box").scrollHeight;
}

$("who").addEventListener("change", () => {
  hangUp("The call was dropped: another person has the phone.");
  sessionStorage.setItem("who", $("who").value);
  tick();
});

$("off").addEventListener("change", () => {
  post(`${line.base}/handset/power`, { phone: $("who").value, off: $("off").checked ? "1" : "0" }).catch(() => {}).finally(tick);
});

$("sound").addEventListener("change", () => {
  sound = $("sound").checked ? new AudioContext() : null;
  if (sound) beep();
});

async function look(turn) {
  const found = await get("people.json");
  if (turn !== tick.turn) return; // a later reading is on its way and knows better
  people = found;
  for (const person of people) {
    if (person.newest < (read[person.phone] || 0)) read[person.phone] = 0; // the demo began anew
    if (person.newest < (heard.get(person.phone) || 0)) location.reload();
    await fetchMessages(person);
  }
  showChoices();
  const person = holder();
  if (person) markRead(person);
  showPeople();
  showMessages();
  if (person) await showKnown(person);
}

async function tick() {
  clearTimeout(tick.next);
  const turn = tick.turn = (tick.turn || 0) + 1;
  try {
    await look(turn);
    $("trouble").hidden = true;
  } catch {
    $("trouble").textContent = "The demonstration does not answer. The page goes on trying.";
    $("trouble").hidden = false;
  }
  if (turn === tick.turn) tick.next = setTimeout(tick, EVERY_MS);
}

document.addEventListener("visibilitychange", tick);
tick();
