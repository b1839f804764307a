// Sensor node for one tank: water and room temperature, pH electrode, light. It only measures: nothing here
// switches a heater, lamp or valve, and no mains wire comes near this board. Wiring and cautions: ../README.md
//
// Library to install: OneWire (by Jim Studt and Paul Stoffregen). Wire comes with the board's core.

#include <OneWire.h>
#include <Wire.h>

#include "wire.h"

// ---- What to set ----------------------------------------------------------------------------------------
const char TANK[] = "porch";            // the tank's name in rushlight.toml
const uint32_t REPORT_MS = 10000;       // report_every_s in rushlight.toml, in milliseconds
const uint8_t WATER_PIN = 4;            // data wire of the probe in the tank
const uint8_t ROOM_PIN = 5;             // data wire of the probe beside the tank
const double ELECTRODE_ZERO_MV = 1500;  // the board's output with its input shorted, measured (README)
const double ELECTRODE_GAIN = 3.0;      // the board's output per mV of electrode, from its data sheet
// ---------------------------------------------------------------------------------------------------------

const uint8_t LUX_ADDRESS = 0x23;        // 16-bit lux sensor, address pin low
const uint8_t CONVERTER_ADDRESS = 0x48;  // 16-bit analogue converter behind the isolator

OneWire waterBus(WATER_PIN);
OneWire roomBus(ROOM_PIN);
Pack pack;
uint32_t seq = 0;
uint32_t lastReport = 0;

void startConversion(OneWire &bus) {
  if (bus.reset()) {
    bus.skip();       // one probe a bus: no need for its address
    bus.write(0x44);  // convert
  }
}

// Celsius, or NAN. A conversion at 12 bits takes up to 750 ms after startConversion.
double readTemperature(OneWire &bus) {
  if (!bus.reset()) return NAN;  // nobody answers: unplugged
  bus.skip();
  bus.write(0xBE);  // read scratchpad
  uint8_t data[9];
  for (uint8_t i = 0; i < 9; i++) data[i] = bus.read();
  if (OneWire::crc8(data, 8) != data[8]) return NAN;
  // a data wire shorted to ground reads as nine zeros, whose CRC is right
  bool allZero = true;
  for (uint8_t i = 0; i < 9; i++) allZero = allZero && data[i] == 0;
  if (allZero) return NAN;
  int16_t raw = (int16_t)(((uint16_t)data[1] << 8) | data[0]);
  if (raw == 0x0550) return NAN;  // 85.0: the register's value at power-on, before any conversion
  return raw / 16.0;
}

bool startLux() {
  Wire.beginTransmission(LUX_ADDRESS);
  Wire.write(0x10);  // measure without end, 1 lx steps, 120 ms each; wakes the sensor too
  return Wire.endTransmission() == 0;
}

// Lux, or NAN.
double readLux() {
  if (Wire.requestFrom(LUX_ADDRESS, (uint8_t)2) != 2) return NAN;
  uint16_t high = (uint16_t)Wire.read();  // in two steps: the order of two calls in one expression is open
  uint16_t low = (uint16_t)Wire.read();
  uint16_t counts = (uint16_t)((high << 8) | low);
  return counts / 1.2;
}

// Millivolts of the electrode, or NAN. One conversion of the 16-bit converter: channel 0 against ground,
// +-4.096 V range (0.125 mV a count), 128 a second.
double readElectrode() {
  Wire.beginTransmission(CONVERTER_ADDRESS);
  Wire.write(0x01);
  Wire.write(0xC3);
  Wire.write(0x83);
  if (Wire.endTransmission() != 0) return NAN;
  delay(10);
  Wire.beginTransmission(CONVERTER_ADDRESS);
  Wire.write(0x00);
  if (Wire.endTransmission() != 0) return NAN;
  if (Wire.requestFrom(CONVERTER_ADDRESS, (uint8_t)2) != 2) return NAN;
  uint16_t high = (uint16_t)Wire.read();
  uint16_t low = (uint16_t)Wire.read();
  int16_t counts = (int16_t)((high << 8) | low);
  return (counts * 0.125 - ELECTRODE_ZERO_MV) / ELECTRODE_GAIN;
}

// The mean of 16 conversions, spread over more than one mains period so that hum averages out.
double readElectrodeMean() {
  double sum = 0;
  for (uint8_t i = 0; i < 16; i++) {
    double mv = readElectrode();
    if (isnan(mv)) return NAN;
    sum += mv;
  }
  return sum / 16;
}

void setup() {
  Serial.begin(115200);
  Wire.begin();
  Wire.setClock(100000);
  Serial.println();
  Serial.print("sensor node for ");
  Serial.println(TANK);  // a banner, no pack: the collector passes over it
  startLux();
  startConversion(waterBus);
  startConversion(roomBus);
  lastReport = millis();
}

void loop() {
  uint32_t now = millis();
  if (now - lastReport < REPORT_MS) return;  // right across the counter's wrap, too
  lastReport += REPORT_MS;                   // not `now`: the period must not creep

  pack.begin(TANK, seq++);
  pack.add("temperature", "Cel", readTemperature(waterBus), 4);
  pack.add("room_temperature", "Cel", readTemperature(roomBus), 4);
  pack.add("ph_probe", "mV", readElectrodeMean(), 1);
  pack.add("light", "lx", readLux(), 0);

  const char *line = pack.finish();
  if (line != nullptr) {
    Serial.print(line);
    Serial.print('\n');
  }
  // all ready long before the next report; a sensor that lost its supply for a moment is woken again
  startConversion(waterBus);
  startConversion(roomBus);
  startLux();
}
