// A meter made of the npm package modbus-serial: 230.1 V, 0.873 A, 198.7 W, 50.01 Hz,
// 1234.5 kWh.
//
// usage: serial_meter.js tcp PORT | rtu DEVICE; NODE_PATH names the packages
const modbus = require("modbus-serial");

const words = Buffer.alloc(800);
for (const [at, value] of [[0, 230.1], [6, 0.873], [12, 198.7], [70, 50.01], [72, 1234.5]]) {
  words.writeFloatBE(value, 2 * at);
}
const register = (at) => words.readUInt16BE(2 * at); // throws beyond the end
const vector = { getInputRegister: register, getHoldingRegister: register };
const [, , kind, where] = process.argv;
if (kind === "tcp") {
  new modbus.ServerTCP(vector, { host: "127.0.0.1", port: Number(where), unitID: 1 });
} else {
  new modbus.ServerSerial(vector, { port: where, baudRate: 9600, unitID: 1 });
}
