(function () {
  'use strict';
  if (!window.EventSource) { setTimeout(function () { location.reload(); }, 2000); return; }
  var shown = {}, last = Date.now(), was = null, audio = null, lock = null;
  var look = /[?&]look\b/.test(location.search) ? '&look' : '';
  var silent = document.getElementById('silent'), wake = document.getElementById('wake');

  // typing keeps a form that somebody is filling in from being replaced.
  function typing(box) {
    var a = document.activeElement;
    return a && box.contains(a) && /INPUT|TEXTAREA/.test(a.tagName);
  }
  function put(id, html) {
    var box = document.getElementById(id);
    if (shown[id] === html || typing(box)) { return; }
    shown[id] = html;
    box.innerHTML = html;
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
    if (!navigator.wakeLock || document.hidden) { return; }
    navigator.wakeLock.request('screen').then(function (l) { lock = l; }, function () { lock = null; });
  }

  var stream = new EventSource('/api/v1/stream?view=page' + look);
  stream.addEventListener('page', function (e) {
    var part = JSON.parse(e.data);
    last = Date.now();
    put('warning', part.warning);
    put('numbers', part.numbers);
    put('alarms', part.alarms);
    if (part.critical && was === false && look) { location.href = '/'; }
    was = part.critical;
  });
  setInterval(function () {
    var age = Math.round((Date.now() - last) / 1000);
    silent.hidden = age < 4;
    silent.textContent = 'No word from the logger for ' + age + ' s';
    document.body.classList[age < 4 ? 'remove' : 'add']('silent');
  }, 1000);
  setInterval(function () { if (was) { beep(); } }, 1500);

  wake.hidden = false;
  wake.addEventListener('click', function () {
    var A = window.AudioContext || window.webkitAudioContext;
    if (A && !audio) { audio = new A(); }
    if (audio && audio.resume) { audio.resume(); }
    awake();
    beep();
    wake.textContent = 'Sound on';
  });
  document.addEventListener('visibilitychange', function () { if (lock) { awake(); } });
  if (look) { setTimeout(function () { location.href = '/'; }, 60000); }
}());
