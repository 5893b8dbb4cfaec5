(function () {
  'use strict';
  if (!window.EventSource) { setTimeout(function () { location.reload(); }, 2000); return; }
  var shown = {}, last = Date.now(), was = null, audio = null, lock = null, wanted = false;
  var look = /[?&]look\b/.test(location.search) ? '&look' : '';
  var silent = document.getElementById('silent'), wake = document.getElementById('wake');

  // typing keeps a form that somebody is filling in from being replaced.
  function typing(box) {
    var a = document.activeElement;
    return a && box.contains(a) && /INPUT|TEXTAREA|SELECT/.test(a.tagName) || box.querySelector('details[open]');
  }
  // renew changes what is said around a form that somebody is filling in: an
  // alarm may be over meanwhile, and then its text must not command.
  function renew(box, html) {
    var fresh = document.createElement('div'), parts = box.querySelectorAll('[data-live]'), i, to;
    fresh.innerHTML = html;
    to = fresh.querySelector('.screen');
    if (to && box.querySelector('.screen')) { box.querySelector('.screen').className = to.className; }
    for (i = 0; i < parts.length; i++) {
      to = fresh.querySelector('[data-live="' + parts[i].getAttribute('data-live') + '"]');
      if (!to) { continue; }
      parts[i].className = to.className;
      if (to.tagName === 'FORM') { parts[i].setAttribute('action', to.getAttribute('action')); } else { parts[i].innerHTML = to.innerHTML; }
    }
  }
  function put(id, html) {
    var box = document.getElementById(id);
    if (!box || shown[id] === html) { return; }
    if (typing(box)) {
      shown[id] = null;
      return renew(box, html);
    }
    shown[id] = html;
    box.innerHTML = html;
    if (window.tickoverFill) { window.tickoverFill(box); }
  }
  function beep() {
    if (navigator.vibrate) { navigator.vibrate([400, 200, 400]); }
    if (!audio) { return; }
    var o = audio.createOscillator();
    o.type = 'square';
    o.frequency.value = 2800;
    o.connect(audio.destination);
    o.start();
    o.stop(audio.currentTime + 0.6);
  }
  function awake() {
    if (!navigator.wakeLock || !wanted || document.hidden) { return; }
    navigator.wakeLock.request('screen').then(function (l) { lock = l; }, function () { lock = null; });
  }
  function asleep() {
    if (lock) { lock.release(); }
    lock = null;
  }

  var view = document.body.getAttribute('data-view');
  var droop = /[?&](droop=[0-9.]+)/.exec(location.search);
  function hear(e) {
    var part = JSON.parse(e.data);
    last = Date.now();
    for (var id in part.parts) { put(id, part.parts[id]); }
    if (part.critical && was === false && look) { location.href = '/'; }
    if (part.critical && !was) { beep(); }
    was = part.critical;
  }
  function listen() {
    var stream = new EventSource('/api/v1/stream?view=' + view + look + (droop ? '&' + droop[1] : ''));
    stream.addEventListener('page', hear);
    // A stream that was refused is not tried again by the browser: too many
    // listen, or the token is a new one and has to be typed again.
    stream.addEventListener('error', function () { if (stream.readyState === 2) { setTimeout(again, 5000); } });
  }
  function again() {
    var x = new XMLHttpRequest();
    x.open('GET', '/api/v1/alarms');
    x.onload = function () { if (x.status === 401) { location.reload(); } else { listen(); } };
    x.onerror = listen;
    x.send();
  }
  listen();
  setInterval(function () {
    var age = Math.round((Date.now() - last) / 1000);
    silent.hidden = age < 4;
    silent.textContent = 'No contact with the logger for ' + age + ' s';
    document.body.classList[age < 4 ? 'remove' : 'add']('silent');
  }, 1000);
  setInterval(function () { if (was) { beep(); } }, 1500);

  wake.hidden = false;
  wake.addEventListener('click', function () {
    var A = window.AudioContext || window.webkitAudioContext;
    if (A && !audio) { audio = new A(); }
    if (audio && audio.resume) { audio.resume(); }
    wanted = true;
    awake();
    beep();
    wake.textContent = 'Sound on';
  });
  document.addEventListener('visibilitychange', function () { if (document.hidden) { asleep(); } else { awake(); } });
  var charts = document.getElementById('charts');
  if (charts) {
    setInterval(function () {
      var x = new XMLHttpRequest();
      x.open('GET', '/trends' + (location.search || '?') + '&part');
      x.onload = function () { if (x.status === 200) { charts.innerHTML = x.responseText; } };
      x.send();
    }, 1000 * charts.getAttribute('data-every'));
  }
  if (look) { setTimeout(function () { location.href = '/'; }, 60000); }
}());
