// Search, filter and pages of the front page. Without it the pages of the list say the same.
(function () {
  "use strict";
  var MONTHS = "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split(" ");
  var form = document.getElementById("find"), found = document.getElementById("found");
  var listed = document.getElementById("listed"), body = found.querySelector("tbody");
  var words = document.getElementById("words"), group = document.getElementById("group");
  var cause = document.getElementById("cause"), tally = document.getElementById("tally");
  var back = document.getElementById("back"), on = document.getElementById("on");
  var names = found.dataset.pieces.split(" "), rows = Number(found.dataset.rows);
  var pieces = [], left = names.length, asked = false, page = 0;

  // Each piece of the index calls this with its lines.
  window.boardLines = function (number, lines) {
    pieces[number] = lines;
    left -= 1;
    if (left === 0 && wanted()) show();
  };

  function ask() {
    if (asked) return;
    asked = true;
    names.forEach(function (name) {
      var script = document.createElement("script");
      script.src = name;
      document.head.appendChild(script);
    });
  }

  function wanted() {
    return words.value.trim() !== "" || group.value !== "" || cause.value !== "";
  }

  function fits(line, text) {
    if (group.value !== "" && line[2] !== Number(group.value)) return false;
    if (cause.value !== "" && line[5] !== Number(cause.value)) return false;
    return text === "" || line[1].toLowerCase().indexOf(text) >= 0 || line[0].indexOf(text) >= 0;
  }

  function show() {
    listed.hidden = wanted();
    found.hidden = tally.hidden = !wanted();
    if (!wanted()) return;
    ask();
    if (left > 0) {
      tally.textContent = "Looking …";
      return;
    }
    var text = words.value.trim().toLowerCase(), hits = [];
    pieces.forEach(function (lines) {
      lines.forEach(function (line) { if (fits(line, text)) hits.push(line); });
    });
    var last = Math.max(0, Math.ceil(hits.length / rows) - 1);
    page = Math.min(page, last);
    tally.textContent = hits.length === 0 ? "No site fits" : hits.length.toLocaleString("en") + (hits.length === 1 ? " site fits" : " sites fit");
    body.replaceChildren.apply(body, hits.slice(page * rows, (page + 1) * rows).map(row));
    document.getElementById("place").textContent = last ? "Page " + (page + 1) + " of " + (last + 1) : "";
    back.disabled = page === 0;
    on.disabled = page === last;
  }

  function row(line) {
    var tr = document.createElement("tr"), head = cell(tr, "th", "rowheader", "");
    tr.setAttribute("role", "row");
    if (line[2] < 2) tr.className = "acts";
    head.scope = "row";
    var link = document.createElement("a"), id = document.createElement("span");
    link.href = "sites/" + line[0] + ".html";
    link.textContent = line[1];
    id.className = "id";
    id.textContent = line[0];
    head.append(link, " ", id);
    var what = cell(tr, "td", "cell", "What"), level = document.createElement("b");
    level.textContent = line[4] || group.options[line[2] + 1].text;
    what.append(level);
    if (line[5] >= 0) what.append(". " + cause.options[line[5] + 1].text + (line[3] ? ": " : ""));
    else if (line[3]) what.append(": ");
    what.append(line[3] || "");
    cell(tr, "td", "cell", "Since").textContent = day(line[6]);
    parts(cell(tr, "td", "cell", "Lost so far"), line[7]);
    parts(cell(tr, "td", "cell", "Next 12 months"), line[8]);
    cell(tr, "td", "cell", "How sure").textContent = line[9] || "";
    tr.children[3].className = tr.children[4].className = "num";
    return tr;
  }

  function cell(tr, tag, role, name) {
    var made = document.createElement(tag);
    made.setAttribute("role", role);
    if (name) made.dataset.head = name;
    tr.append(made);
    return made;
  }

  function parts(td, text) {
    (text || "").split(", ").forEach(function (part, i) {
      var span = document.createElement("span");
      span.textContent = part;
      if (part) td.append(i ? ", " : "", span);
    });
  }

  function day(text) {
    if (!text) return "";
    var parts = text.split("-").map(Number);
    return parts[2] + " " + MONTHS[parts[1] - 1] + " " + parts[0];
  }

  function anew() {
    page = 0;
    show();
  }

  function turn(by) {
    page += by;
    show();
    tally.scrollIntoView();
  }

  form.hidden = false;
  form.addEventListener("submit", function (event) { event.preventDefault(); });
  form.addEventListener("input", anew);
  form.addEventListener("focusin", ask);
  form.addEventListener("reset", function () { setTimeout(anew); });
  back.addEventListener("click", function () { turn(-1); });
  on.addEventListener("click", function () { turn(1); });
  document.querySelectorAll("a[data-group]").forEach(function (link) {
    link.addEventListener("click", function (event) {
      if (!wanted()) return;
      event.preventDefault();
      words.value = cause.value = "";
      group.value = link.dataset.group;
      anew();
    });
  });
  if (wanted()) show(); // a browser that goes back keeps what was typed
}());
