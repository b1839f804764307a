// A digital thermometer alone on its one-wire bus. `start`, then `step` over and over: each step is short.
#pragma once

#include "one_wire.h"

class Thermometer {
 public:
  Thermometer(uint8_t pin, uint8_t bits) : bus_(pin), bits_(bits) {}

  // Begins a conversion; the number of bits is written each time, as a probe may have been exchanged.
  void start(uint32_t now) {
    celsius_ = NAN;
    tries_ = 0;
    state_ = IDLE;
    if (!bus_.reset()) return;
    bus_.write(SKIP_ADDRESS);
    bus_.write(WRITE_SCRATCHPAD);
    bus_.write(0x7F);  // alarm limits, not used here
    bus_.write(0x80);
    bus_.write((uint8_t)(((bits_ - 9) << 5) | 0x1F));
    if (!bus_.reset()) return;
    bus_.write(SKIP_ADDRESS);
    bus_.write(CONVERT);
    begun_ = now;
    state_ = CONVERTING;
  }

  void step(uint32_t now) {
    if (state_ == CONVERTING && now - begun_ >= conversionMs()) {
      if (!bus_.reset()) {
        state_ = IDLE;  // pulled out meanwhile
        return;
      }
      bus_.write(SKIP_ADDRESS);
      bus_.write(READ_SCRATCHPAD);
      have_ = 0;
      state_ = READING;
    } else if (state_ == READING) {
      data_[have_++] = bus_.read();
      if (have_ == sizeof data_) take();
    }
  }

  // Celsius, or NAN: no probe, a shorted wire, a damaged reading, or not ready.
  double celsius() const { return celsius_; }

 private:
  enum State : uint8_t { IDLE, CONVERTING, READING };
  static const uint8_t SKIP_ADDRESS = 0xCC, CONVERT = 0x44, READ_SCRATCHPAD = 0xBE, WRITE_SCRATCHPAD = 0x4E;

  uint16_t conversionMs() const { return (uint16_t)((750 >> (12 - bits_)) + 10); }

  void take() {
    state_ = IDLE;
    if (crc8(data_, 8) != data_[8]) {
      if (++tries_ < 3) state_ = CONVERTING;  // its memory still holds the value: read once more
      return;
    }
    // a wire that is shorted while it is read gives nine zeros, and their CRC is right
    bool allZero = true;
    for (uint8_t i = 0; i < sizeof data_; i++) allZero = allZero && data_[i] == 0;
    if (allZero) return;
    int16_t raw = (int16_t)(((uint16_t)data_[1] << 8) | data_[0]);
    if (raw == POWER_ON) return;  // it lost its supply and has converted nothing since
    raw &= (int16_t)~((1 << (12 - bits_)) - 1);  // the lower bits mean nothing with fewer than 12
    celsius_ = raw / 16.0;
  }

  static const int16_t POWER_ON = 0x0550;  // 85.0 Celsius
  OneWireBus bus_;
  uint8_t bits_;
  State state_ = IDLE;
  uint8_t tries_ = 0, have_ = 0;
  uint8_t data_[9];
  uint32_t begun_ = 0;
  double celsius_ = NAN;
};
