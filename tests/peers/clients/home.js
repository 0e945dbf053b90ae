// Homes J5 of the Heron on its limit switch, over the words of README, section "card".
//
//     npm ci
//     node home.js /dev/pts/3
//
// The serialport package from npm. Exit code 0: home. 1: stopped, with the reason.
"use strict";

const { SerialPort, ReadlineParser } = require("serialport");

const STEPS_PER_DEG = (200 * 16 * 18) / 360; // full steps x microsteps x ratio
const DEADLINE_MS = 60_000;

class Card {
  constructor(path) {
    this.port = new SerialPort({ path, baudRate: 115200, autoOpen: false });
    this.lines = this.port.pipe(new ReadlineParser({ delimiter: "\n" }));
  }

  open() {
    return new Promise((done, fail) => this.port.open((error) => (error ? fail(error) : done())));
  }

  close() {
    return new Promise((done) => this.port.close(done));
  }

  tell(command) {
    this.port.write(command + "\n");
  }

  ask(query) {
    return new Promise((done, fail) => {
      const late = setTimeout(() => fail(new Error(`no reply to ${query}`)), DEADLINE_MS);
      this.lines.once("data", (line) => {
        clearTimeout(late);
        done(line);
      });
      this.tell(query);
    });
  }

  // By at most so many degrees, positive towards the switch, until its edge; the step there.
  async go(degrees, degreesPerS, edge) {
    this.tell(`STEP:RATE ${Math.round(degreesPerS * STEPS_PER_DEG)},(@5)`);
    this.tell(`HALT:EDGE ${edge},(@5)`);
    this.tell(`STEP:MOVE ${Math.round(degrees * STEPS_PER_DEG)},(@5)`);
    await this.ask("*OPC?"); // answered when nothing moves any more
    const [hit, , step] = (await this.ask("HALT:LATC? (@5)")).split(",").map(Number);
    if (!hit) throw new Error(`J5: no ${edge} edge within ${degrees} degrees, look at the switch`);
    return step;
  }
}

async function main(path) {
  if (!path) throw new Error("expected the card's device, such as /dev/pts/3");
  const card = new Card(path);
  await card.open();
  card.tell(`*RST;*CLS;STEP:ACC ${200 * STEPS_PER_DEG},(@5)`);
  card.tell("DRIV:ENAB ON,(@5)");
  if ((await card.ask("SWIT:LEV? (@5)")) === "0") {
    await card.go(220, 30, "RISE"); // fast search, bounded by the whole travel
  }
  await card.go(-6, 5, "FALL"); // back off until the switch lets go
  const home = await card.go(6, 1.5, "RISE"); // slow search: this edge is home
  card.tell(`STEP:COUN ${Number(await card.ask("STEP:COUN? (@5)")) - home},(@5)`);
  const error = await card.ask("SYST:ERR?");
  if (!error.startsWith("0,")) throw new Error(`the card reports ${error}`);
  console.log(`J5 is home, now at step ${await card.ask("STEP:COUN? (@5)")}`);
  await card.close();
}

main(process.argv[2]).catch((error) => {
  console.error(`stopped: ${error.message}`);
  process.exit(1);
});
