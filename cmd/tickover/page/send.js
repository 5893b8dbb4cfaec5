(function () {
  'use strict';
  // Entries wait in the phone's storage until the logger answers. They are sent
  // with their age, so that neither clock needs to be right.
  var KEY = 'tickover.queue', sending = false, pressed = null, answers = {};
  var note = document.getElementById('queue');

  function read(key) { try { return localStorage.getItem(key) || ''; } catch (e) { return ''; } }
  function write(key, text) { try { localStorage.setItem(key, text); return true; } catch (e) { return false; } }
  function queue() { try { return JSON.parse(read(KEY)) || []; } catch (e) { return []; } }
  function each(list, f) { for (var i = 0; i < list.length; i++) { f(list[i]); } }

  // fill puts the name and the token that were typed before into empty fields.
  function fill(box) {
    each(box.querySelectorAll('input[name=who], input[name=token]'), function (i) { if (!i.value) { i.value = read('tickover.' + i.name); } });
  }
  window.tickoverFill = fill;
  fill(document);
  each(document.querySelectorAll('.typed'), function (l) { l.hidden = true; });

  function tell(text) {
    note.hidden = !text;
    note.textContent = text;
  }
  function waiting(why) {
    var n = queue().length;
    why = why || (n === 1 ? 'it is' : 'they are') + ' sent when the logger is back';
    tell(n ? n + (n === 1 ? ' entry' : ' entries') + ' not sent yet; ' + why : '');
  }
  function post(url, fields, then) {
    var x = new XMLHttpRequest();
    x.open('POST', url);
    x.setRequestHeader('Content-Type', 'application/json');
    // In a header the token is checked before the logger reads a photo.
    if (/^[!-~]+$/.test(fields.token || '')) { x.setRequestHeader('Tickover-Token', fields.token); }
    x.timeout = 20000;
    x.onload = function () {
      var said = {};
      try { said = JSON.parse(x.responseText); } catch (e) { said = {}; }
      then(x.status, said);
    };
    x.onerror = x.ontimeout = function () { then(0, {}); };
    x.send(JSON.stringify(fields));
  }

  function flush() {
    var all = queue();
    if (sending || !all.length) { return; }
    sending = true;
    var first = all[0], fields = {};
    for (var k in first.fields) { fields[k] = first.fields[k]; }
    fields.ago_seconds = String(Math.max(0, (Date.now() - first.at) / 1000));
    fields.key = first.key;
    fields.token = read('tickover.token');
    post(first.url, fields, function (status, said) {
      sending = false;
      if (status === 0 || status >= 500 || status === 429) { return waiting(); }
      if (status === 401 || status === 403) { return waiting(said.error || 'the token is wrong, type it again'); }
      write(KEY, JSON.stringify(queue().slice(1)));
      if (status < 400 && answers[first.key]) { answers[first.key].textContent = 'Sent.'; }
      if (status >= 400) { return tell('Refused: ' + (said.error || status) + ' (' + (first.fields.text || first.fields.remark || 'photo') + ')'); }
      waiting('sending');
      flush();
    });
  }
  setInterval(flush, 3000);
  waiting();
  flush();

  // shrink makes a picture small enough to send and to wait in the storage.
  function shrink(file, then) {
    var reader = new FileReader();
    reader.onload = function () {
      var img = new Image();
      img.onerror = function () { then(''); };
      img.onload = function () {
        var k = Math.min(1, 1280 / Math.max(img.width, img.height)), c = document.createElement('canvas');
        c.width = Math.round(img.width * k);
        c.height = Math.round(img.height * k);
        c.getContext('2d').drawImage(img, 0, 0, c.width, c.height);
        then(c.toDataURL('image/jpeg', 0.75));
      };
      img.src = reader.result;
    };
    reader.readAsDataURL(file);
  }

  function keep(form, fields, answer) {
    var all = queue();
    var key = String(Math.random()).slice(2) + Date.now();
    all.push({ url: form.getAttribute('action'), fields: fields, at: Date.now(), key: key });
    if (!write(KEY, JSON.stringify(all))) {
      answer.textContent = 'The storage of this phone is full. Write it on paper.';
      return;
    }
    answers[key] = answer;
    answer.textContent = 'Saved on this phone ' + new Date().toTimeString().slice(0, 5) + ', not sent yet.';
    each(form.querySelectorAll('textarea, input[type=file]'), function (i) { i.value = ''; });
    flush();
  }

  document.addEventListener('click', function (e) {
    for (var t = e.target; t && t !== document; t = t.parentNode) { if (t.tagName === 'BUTTON') { pressed = t; return; } }
  }, true);
  document.addEventListener('submit', function (e) {
    var form = e.target, fields = {}, file = null, answer = form.querySelector('.said');
    if (form.method !== 'post' || !answer) { return; }
    e.preventDefault();
    each(form.elements, function (i) {
      if (i.type === 'file') { file = i.files && i.files[0]; return; }
      if (!i.name || i.tagName === 'BUTTON' && i !== pressed) { return; }
      if (i.name === 'who' || i.name === 'token') { write('tickover.' + i.name, i.value); }
      if (i.name !== 'back') { fields[i.name] = i.value; }
    });
    fill(document);
    if (form.hasAttribute('data-clock')) { fields.now = new Date().toISOString(); }
    if (form.hasAttribute('data-queue')) {
      delete fields.token;
      if (!file) { return keep(form, fields, answer); }
      return shrink(file, function (picture) {
        if (!picture) { answer.textContent = 'This file is not a picture.'; return; }
        fields.photo = picture;
        keep(form, fields, answer);
      });
    }
    post(form.getAttribute('action'), fields, function (status, said) {
      answer.textContent = status === 200 ? 'Done.' : status === 0 ? 'The logger does not answer.' : (said.error || 'Refused') + '. ' + (said.hint || '');
      if (status === 200 && document.activeElement) { document.activeElement.blur(); }
    });
  });
}());
