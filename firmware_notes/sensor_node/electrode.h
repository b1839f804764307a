// Millivolts of the pH electrode: a mean over whole periods of the mains, so that its hum adds up to nothing.
// 100 ms are five periods of 50 Hz and six of 60 Hz.
#pragma once

#include <Arduino.h>

#include "settings.h"
#if ELECTRODE_ON_I2C
#include "two_wire.h"
#endif

class Electrode {
 public:
  void begin() {
#if !ELECTRODE_ON_I2C
    analogReference(EXTERNAL);
#endif
  }

  void start(uint32_t nowUs) {
    sum_ = 0;
    count_ = 0;
    failed_ = converting_ = false;
    dueUs_ = nowUs;
  }

  // One conversion where one is due; a tenth of a millisecond, half a millisecond on the I2C bus.
  void step(uint32_t nowUs) {
    if (count_ >= READINGS || failed_ || (int32_t)(nowUs - dueUs_) < 0) return;
    dueUs_ += EVERY_US;
#if ELECTRODE_ON_I2C
    uint8_t two[2];
    if (converting_) {
      failed_ = !readTwoWire(CONVERTER_ADDRESS, CONVERTER_RESULT, two);
      sum_ += (int16_t)(((uint16_t)two[0] << 8) | two[1]);
      count_++;
    }
    const uint8_t setup[] = {CONVERTER_SETUP};
    if (count_ < READINGS) failed_ = failed_ || !writeTwoWire(CONVERTER_ADDRESS, setup, sizeof setup);
    converting_ = true;
#else
    sum_ += analogRead(ELECTRODE_PIN);
    count_++;
#endif
  }

  // Millivolts of the electrode; NAN where the amplifier is at its end, or the converter does not answer.
  double millivolts() const {
    if (count_ < READINGS || failed_) return NAN;
    double output = (double)sum_ / READINGS * COUNT_MV;
    if (output < RAIL_MV || output > FULL_MV - RAIL_MV) return NAN;
    return (output - ELECTRODE_ZERO_MV) / ELECTRODE_GAIN;
  }

 private:
#if ELECTRODE_ON_I2C
  static const uint8_t READINGS = 10;
  static const uint32_t EVERY_US = 10000;
  static constexpr double COUNT_MV = CONVERTER_MV, FULL_MV = 32768 * CONVERTER_MV;
#else
  static const uint8_t READINGS = ELECTRODE_READINGS;
  static const uint32_t EVERY_US = 1024;  // a tick of the clock at 16 MHz: the times between readings are then all the same
  static constexpr double COUNT_MV = REFERENCE_MV / 1024, FULL_MV = REFERENCE_MV;
#endif
  int32_t sum_ = 0;
  uint8_t count_ = 0;
  bool failed_ = false, converting_ = false;
  uint32_t dueUs_ = 0;
};
