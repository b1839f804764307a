// A 16-bit light sensor on the I2C bus; its address and registers are in settings.h.
#pragma once

#include "settings.h"
#include "two_wire.h"

class LuxSensor {
 public:
  // Also wakes one that lost its supply for a moment.
  void start() {
    const uint8_t bytes[] = {LUX_START};
    writeTwoWire(LUX_ADDRESS, bytes, sizeof bytes);
  }

  // Lux, or NAN where it does not answer.
  double lux() {
    uint8_t two[2];
    if (!readTwoWire(LUX_ADDRESS, LUX_RESULT, two)) return NAN;
    uint8_t high = LUX_HIGH_BYTE_FIRST ? two[0] : two[1], low = LUX_HIGH_BYTE_FIRST ? two[1] : two[0];
    return (((uint16_t)high << 8) | low) * LUX_PER_COUNT;
  }
};
