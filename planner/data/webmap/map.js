"use strict";
/* The behaviour of the survey map. Words come from a JSON block and are set as text, never as markup. */
var surveyMap = (function () {
  var FEET_PER_M = 1 / 0.3048;
  var PANES = { relief: 210, cells: 220, airspace: 401, beneath: 403, features: 405, gaps: 410, risk: 412, hazards: 415, areas: 420, paths: 425, lines: 430, takeoff: 440, ruler: 450 };
  var map = null;
  var home = null;
  var words = null;

  function saying(number) {
    if (!words) { words = JSON.parse(document.getElementById("words").textContent); }
    return words[number];
  }

  function element(tag, text, className) {
    var made = document.createElement(tag);
    if (text !== undefined) { made.textContent = text; }
    if (className) { made.className = className; }
    return made;
  }

  function open(frame, options) {
    map = L.map("chart", options);
    Object.keys(PANES).forEach(function (name) { map.createPane(name).style.zIndex = PANES[name]; });
    home = frame;
    fit();
    L.control.scale({ metric: true, imperial: true, maxWidth: 160 }).addTo(map);
    return map;
  }

  /* On a wide screen the legend lies over the right of the map: site and popups stay beside it. */
  function legendWidth() {
    var printing = document.body.classList.contains("printing");
    return !printing && window.matchMedia("(min-width: 1000px)").matches ? 290 : 0;
  }

  function fit() {
    map.fitBounds(home, { paddingTopLeft: [70, 20], paddingBottomRight: [legendWidth() + 20, 28], animate: false });
  }

  function popup(said) {
    var box = element("div", undefined, "said");
    box.appendChild(element("h3", said.title));
    var list = box.appendChild(element("dl"));
    said.rows.forEach(function (row) {
      list.appendChild(element("dt", row[0]));
      list.appendChild(element("dd", row[1]));
    });
    if (said.note) { box.appendChild(element("p", said.note)); }
    return box;
  }

  function describe(feature, layer) {
    var key = feature.properties.key;
    if (key === undefined) { return; }
    var said = saying(key);
    layer.bindPopup(popup(said), {
      maxWidth: 320, minWidth: 270, autoPanPaddingTopLeft: [5, 5], autoPanPaddingBottomRight: [legendWidth() + 5, 5]
    });
    if (feature.properties.symbol !== "feature") { layer.bindTooltip(element("span", said.title), { sticky: true }); }
    layer.on("add", function () {
      var shape = layer.getElement();
      if (!shape || !feature.properties.tab) { return; }
      shape.setAttribute("tabindex", "0");
      shape.setAttribute("role", "button");
      shape.setAttribute("aria-label", said.title);
      shape.addEventListener("keydown", function (event) {
        if (event.key === "Enter" || event.key === " ") { event.preventDefault(); layer.openPopup(); }
      });
    });
  }

  function symbol(feature, place) {
    var wanted = feature.properties.symbol;
    var mark = saying(feature.properties.mark).title;
    var box = element("span", mark || undefined);
    if (wanted === "arrow") {
      box.innerHTML = '<svg viewBox="-8 -8 16 16" width="19" height="19"><path d="M0 -7L5.5 6L0 3L-5.5 6Z"/></svg>';
      box.firstChild.style.transform = "rotate(" + feature.properties.turn + "deg)";
    }
    if (wanted === "way") {
      box.innerHTML = '<svg viewBox="-8 -8 16 16" width="14" height="14"><path d="M0 -7L5.5 6L0 3L-5.5 6Z"/></svg>';
      box.firstChild.style.transform = "rotate(" + feature.properties.turn + "deg)";
    }
    if (wanted === "mast") {
      box.innerHTML = '<svg viewBox="-10 -10 20 20" width="20" height="20"><path d="M0 -8L5 8H-5Z"/><path d="M-3.2 2H3.2"/></svg>';
    }
    if (wanted === "over") {
      box.innerHTML = '<svg viewBox="-12 -13 24 24" width="24" height="24"><path d="M0 -10L10.5 8H-10.5Z"/><path d="M0 -4V2.5M0 4.4V6"/></svg>';
    }
    if (wanted === "aero") {
      box.innerHTML = '<svg viewBox="-12 -12 24 24" width="22" height="22"><circle r="9"/><path d="M0 -6V6M-6 0H6"/></svg>';
    }
    if (wanted === "beneath") {
      box.innerHTML = '<svg viewBox="-8 -8 16 16" width="16" height="16"><circle r="5"/></svg>';
    }
    if (wanted === "checkpoint") {
      var number = box;
      box = element("div");
      box.innerHTML = '<svg viewBox="-12 -13 24 24" width="22" height="22"><path d="M0 -9.5L9.5 7H-9.5Z"/><circle cy="1.6" r="2"/></svg>';
      box.appendChild(number);
    }
    var speaks = feature.properties.key !== undefined;
    var size = { arrow: [19, 19], way: [14, 14], mast: [20, 20], name: [90, 15], takeoff: [24, 24], feature: [130, 20], checkpoint: [22, 22], over: [24, 24], aero: [22, 22], beneath: [16, 16] }[wanted];
    var turn = (feature.properties.turn || 0) * Math.PI / 180;
    var behind = wanted === "name" ? 13 : 0;
    var anchor = [size[0] / 2 + behind * Math.sin(turn), size[1] / 2 - behind * Math.cos(turn)];
    return L.marker(place, {
      icon: L.divIcon({ html: box, className: "mark-" + wanted, iconSize: size, iconAnchor: anchor }),
      pane: speaks ? "takeoff" : wanted === "way" ? "paths" : "lines",
      zIndexOffset: { arrow: 100000, name: 100000, takeoff: 100000, feature: 0, checkpoint: 50000, way: 0, mast: 60000, over: 110000, aero: 40000, beneath: 30000 }[wanted],
      interactive: speaks,
      keyboard: speaks,
      alt: speaks ? saying(feature.properties.key).title : "",
      title: ""
    });
  }

  /* Names of lines are shown where they have room. */
  function thinNames(lines) {
    var names = lines.getLayers().filter(function (layer) { return layer.feature.properties.symbol === "name"; });
    var least = Infinity;
    for (var i = 0; i < names.length; i += 1) {
      for (var j = i + 1; j < Math.min(i + 4, names.length); j += 1) {
        var a = map.latLngToLayerPoint(names[i].getLatLng());
        var b = map.latLngToLayerPoint(names[j].getLatLng());
        least = Math.min(least, Math.max(Math.abs(a.x - b.x) / 2, Math.abs(a.y - b.y)));
      }
    }
    map.getContainer().classList.toggle("names-hidden", least < 14);
  }

  /* Of marks of a kind whose names would lie over each other the first keeps its name. */
  function thinMarks(layer, wanted, width, height) {
    var taken = [];
    layer.eachLayer(function (mark) {
      if (!mark.getElement || mark.feature.properties.symbol !== wanted) { return; }
      var at = map.latLngToLayerPoint(mark.getLatLng());
      var free = taken.every(function (other) { return Math.abs(at.x - other.x) > width || Math.abs(at.y - other.y) > height; });
      if (free) { taken.push(at); }
      if (mark.getElement()) { mark.getElement().classList.toggle("nameless", !free); }
    });
  }

  function showKey(name, shown) {
    document.querySelectorAll("[data-key]").forEach(function (key) {
      if (key.dataset.key === name) { key.hidden = !shown; }
    });
  }

  function start(layers) {
    var switches = Array.from(document.querySelectorAll("input[data-layer]"));
    function apply() {
      switches.forEach(function (input) {
        var layer = layers[input.dataset.layer];
        if (!layer) { return; }
        if (input.checked !== map.hasLayer(layer)) {
          if (input.checked) { map.addLayer(layer); } else { map.removeLayer(layer); }
        }
        showKey(input.dataset.layer, input.checked);
      });
    }
    switches.forEach(function (input) { input.addEventListener("change", apply); });
    apply();
    function thinFeatures() { thinMarks(layers.features, "feature", 110, 20); }
    function thinCheckpoints() { thinMarks(layers.checkpoints, "checkpoint", 26, 16); }
    function thin() { thinNames(layers.lines); thinFeatures(); thinCheckpoints(); }
    thin();
    map.on("zoomend", thin);
    layers.features.on("add", thinFeatures);
    layers.checkpoints.on("add", thinCheckpoints);
    map.getContainer().addEventListener("keydown", function (event) {
      if (event.key === "Escape") { map.closePopup(); }
    });
    ruler();
    printing();
    if (window.matchMedia("(max-width: 760px)").matches) { document.querySelector(".layers").open = false; }
  }

  /* Length on the WGS 84 ellipsoid by the radii of curvature at the middle latitude; good to 1e-6 over a site. */
  function length(a, b) {
    var rad = Math.PI / 180;
    var middle = (a.lat + b.lat) / 2 * rad;
    var e2 = 0.00669437999014;
    var w2 = 1 - e2 * Math.pow(Math.sin(middle), 2);
    var north = 6378137 * (1 - e2) / Math.pow(w2, 1.5) * (b.lat - a.lat) * rad;
    var east = 6378137 / Math.sqrt(w2) * Math.cos(middle) * (b.lng - a.lng) * rad;
    return Math.hypot(north, east);
  }

  function ruler() {
    var points = [];
    var drawn = L.layerGroup().addTo(map);
    var box = document.querySelector(".ruler-box");
    var readout = document.getElementById("ruler-readout");
    var button = element("button", "Ruler", "ruler-button");
    var control = L.control({ position: "topleft" });
    button.type = "button";
    button.title = "Measure distances";
    button.setAttribute("aria-pressed", "false");
    control.onAdd = function () {
      L.DomEvent.disableClickPropagation(button);
      return button;
    };
    control.addTo(map);

    function inUse() { return button.getAttribute("aria-pressed") === "true"; }

    function draw() {
      drawn.clearLayers();
      var total = 0;
      var last = 0;
      points.forEach(function (point, i) {
        if (i) { last = length(points[i - 1], point); total += last; }
        drawn.addLayer(L.circleMarker(point, {
          pane: "ruler", radius: 5, color: "#16202b", weight: 2, fillColor: "#ffd84d", fillOpacity: 1, interactive: false
        }));
      });
      if (points.length > 1) {
        drawn.addLayer(L.polyline(points, { pane: "ruler", color: "#ffffff", weight: 6, interactive: false }));
        drawn.addLayer(L.polyline(points, { pane: "ruler", color: "#16202b", weight: 3, dashArray: "1 7", interactive: false }));
      }
      readout.textContent = points.length < 2
        ? "Click two or more points. With the keyboard: move the map under the cross, then Enter."
        : total.toFixed(1) + " m · " + (total * FEET_PER_M).toFixed(1) + " ft"
          + (points.length > 2 ? " (last leg " + last.toFixed(1) + " m)" : "");
    }

    function add(point) { points.push(point); draw(); }

    function undo() { points.pop(); draw(); }

    function clear() { points = []; draw(); }

    function use(on) {
      button.setAttribute("aria-pressed", String(on));
      map.getContainer().classList.toggle("measuring", on);
      box.hidden = !on;
      map.closePopup();
      if (on) { map.doubleClickZoom.disable(); } else { map.doubleClickZoom.enable(); }
      clear();
    }

    button.addEventListener("click", function () { use(!inUse()); if (inUse()) { map.getContainer().focus(); } });
    map.on("click", function (event) { if (inUse()) { add(event.latlng); } });
    map.getContainer().addEventListener("keydown", function (event) {
      if (!inUse() || event.target !== map.getContainer()) { return; }
      if (event.key === "Enter") { add(map.getCenter()); }
      if (event.key === "Backspace") { undo(); }
      if (event.key === "Escape") { use(false); button.focus(); }
    });
    document.getElementById("ruler-undo").addEventListener("click", undo);
    document.getElementById("ruler-clear").addEventListener("click", clear);
  }

  function printing() {
    var folded = [];
    window.addEventListener("beforeprint", function () {
      folded = Array.from(document.querySelectorAll("details:not([open])"));
      folded.forEach(function (block) { block.open = true; });
      document.body.classList.add("printing");
      map.invalidateSize({ animate: false, pan: false });
      fit();
    });
    window.addEventListener("afterprint", function () {
      document.body.classList.remove("printing");
      folded.forEach(function (block) { block.open = false; });
      map.invalidateSize({ animate: false, pan: false });
      fit();
    });
  }

  return { open: open, start: start, describe: describe, symbol: symbol };
}());
