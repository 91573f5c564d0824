'use strict';
(() => {
  const say = document.getElementById('say');
  const players = Array.from(document.querySelectorAll('audio'));
  let until = Infinity; // where the one that plays is to stop

  // play plays audio from a time on, all others stop.
  function play(audio, from, to) {
    hush(audio); // at once: the event that does it too may come when yet another plays
    until = to === undefined ? Infinity : to;
    audio.currentTime = from;
    audio.play().catch((error) => {
      if (error.name !== 'AbortError') say.textContent = 'This browser cannot play the file.';
    });
  }

  function hush(audio) {
    for (const other of players) if (other !== audio) other.pause();
  }

  function point(row) {
    for (const other of document.querySelectorAll('[aria-current]')) other.removeAttribute('aria-current');
    if (row) row.setAttribute('aria-current', 'true');
  }

  function clock(s) {
    return Math.floor(s / 60) + ':' + String(Math.floor(s % 60)).padStart(2, '0');
  }

  document.addEventListener('click', (event) => {
    if (event.ctrlKey || event.metaKey || event.shiftKey) return;
    const hit = event.target.closest('[data-from], [data-clip], svg[data-length]');
    const file = hit && hit.closest('.file');
    if (!file || (hit.matches('li') && String(getSelection()))) return;
    event.preventDefault();
    const audio = file.querySelector('audio:not(.clip)');
    if (hit.hasAttribute('data-clip')) {
      point(null);
      play(file.querySelector('audio.clip'), 0);
      say.textContent = 'Before';
      return;
    }
    let from = Number(hit.dataset.from);
    if (hit.dataset.length) {
      const box = hit.getBoundingClientRect();
      from = Math.min(1, Math.max(0, (event.clientX - box.left) / box.width)) * Number(hit.dataset.length);
    }
    point(hit.matches('.mark') ? document.querySelector(hit.getAttribute('href')) : hit.closest('li'));
    play(audio, from, hit.dataset.to && Number(hit.dataset.to));
    say.textContent = 'Plays from ' + clock(from);
  });

  for (const audio of players) {
    const svg = audio.classList.contains('clip') ? null : audio.closest('.file').querySelector('svg[data-length]');
    let line = null;
    audio.addEventListener('play', () => {
      if (!audio.paused) hush(audio); // the event may come late
    });
    audio.addEventListener('seeking', () => {
      if (audio.currentTime > until) until = Infinity;
    });
    audio.addEventListener('timeupdate', () => {
      if (audio.currentTime >= until) {
        until = Infinity;
        audio.pause();
      }
      if (!svg) return;
      if (!line) {
        line = document.createElementNS('http://www.w3.org/2000/svg', 'line');
        line.setAttribute('class', 'now');
        line.setAttribute('y2', '100%');
        svg.append(line);
      }
      const x = 100 * audio.currentTime / Number(svg.dataset.length) + '%';
      line.setAttribute('x1', x);
      line.setAttribute('x2', x);
    });
  }
})();
