// Short reads and writes on the I2C bus, which give up on a bus that hangs.
#pragma once

#include <Arduino.h>
#include <Wire.h>

inline void startTwoWire() {
  Wire.begin();
  Wire.setClock(100000);
  Wire.setWireTimeout(5000, true);  // microseconds: a sensor that holds the bus down must not stop the node
}

inline bool writeTwoWire(uint8_t address, const uint8_t *bytes, uint8_t count) {
  Wire.beginTransmission(address);
  Wire.write(bytes, count);
  return Wire.endTransmission() == 0;
}

// Two bytes, from a register or (-1) without naming one; false where nobody answers.
inline bool readTwoWire(uint8_t address, int16_t from, uint8_t *two) {
  if (from >= 0) {
    uint8_t name = (uint8_t)from;
    if (!writeTwoWire(address, &name, 1)) return false;
  }
  if (Wire.requestFrom(address, (uint8_t)2) != 2) return false;
  two[0] = (uint8_t)Wire.read();
  two[1] = (uint8_t)Wire.read();
  return true;
}
