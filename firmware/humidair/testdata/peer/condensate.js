// SPDX-License-Identifier: Apache-2.0
// Reads a list of cases from standard input and writes what the library psychrolib makes of them.
// Case: [intake degC, humidity 0..1, intake Pa, tank degC, tank Pa]. Answer: [kg of water in a m3 of intake air,
// kg of it that the tank cannot hold, pressure dew point degC].
// The dew point is asked for with a dry bulb of 150 degC, because the library answers no dew point above its dry bulb.
const lib = require('psychrolib')
lib.SetUnitSystem(lib.SI)
const cases = JSON.parse(require('fs').readFileSync(0, 'utf8'))
const out = cases.map(([t, rh, p, tank, pressure]) => {
  const taken = lib.GetHumRatioFromRelHum(t, rh, p)
  const volume = lib.GetMoistAirVolume(t, taken, p)
  const held = lib.GetSatHumRatio(tank, pressure)
  const vapour = lib.GetVapPresFromRelHum(t, rh)
  return [taken / volume, Math.max(0, taken - held) / volume, lib.GetTDewPointFromVapPres(150, (vapour * pressure) / p)]
})
process.stdout.write(JSON.stringify(out))
