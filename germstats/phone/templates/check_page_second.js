"use strict";
// The second keeping. Browsers write localStorage to the disk seconds, after many taps up to a minute, later, so a dead
// battery takes the last taps. Every text is therefore also put, flushed at once, into a database of the browser; at the
// start the newer of the two counts. Where the database is refused, the page goes on with the first alone and says so.

const WAIT = 3000; // ms; a browser that does not answer is taken as one that refuses

let second = null;

function openSecond() {
  const opened = new Promise((done) => {
    const asked = indexedDB.open("tray-checks", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore("texts", { keyPath: "key" });
    asked.onerror = () => done(null);
    asked.onblocked = () => done(null);
    asked.onsuccess = () => done(asked.result);
  }).then(takeNewer);
  const late = new Promise((done) => { setTimeout(done, WAIT); });
  return Promise.race([opened, late]).catch(() => { second = null; });
}

function takeNewer(database) {
  if (database === null) return Promise.resolve();
  database.onversionchange = () => database.close();
  return new Promise((done, failed) => {
    const range = IDBKeyRange.bound(PREFIX, PREFIX + "\uffff");
    const asked = database.transaction("texts").objectStore("texts").getAll(range);
    asked.onerror = failed;
    asked.onsuccess = () => {
      for (const { key, stamp, text } of asked.result) {
        const name = key.slice(PREFIX.length);
        if (stamp > readStamped(name)[0]) writeStamped(name, stamp, text);
      }
      second = database;
      done();
    };
  });
}

function keepTwice(key, stamp, text) {
  if (!second) return;
  try {
    const work = second.transaction("texts", "readwrite", { durability: "strict" });
    const texts = work.objectStore("texts");
    const there = texts.get(PREFIX + key);
    // another tab may have been quicker with a later text
    there.onsuccess = () => {
      if (!there.result || there.result.stamp < stamp) texts.put({ key: PREFIX + key, stamp, text });
    };
    work.onerror = () => { second = null; };
    work.onabort = () => { second = null; };
  } catch {
    second = null;
  }
}
