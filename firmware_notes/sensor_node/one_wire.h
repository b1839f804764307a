// A one-wire bus by hand: one pin, open drain, times as in the makers' application notes on one-wire timing.
// No call takes longer than about a millisecond. Interrupts are off for 80 microseconds at most.
#pragma once

#include <Arduino.h>

// CRC-8 of one-wire: polynomial 0x31 reflected, start 0. "123456789" gives 0xA1.
inline uint8_t crc8(const uint8_t *bytes, uint8_t count) {
  uint8_t crc = 0;
  for (uint8_t i = 0; i < count; i++) {
    crc ^= bytes[i];
    for (uint8_t bit = 0; bit < 8; bit++) crc = (crc & 1) ? (uint8_t)((crc >> 1) ^ 0x8C) : (uint8_t)(crc >> 1);
  }
  return crc;
}

class OneWireBus {
 public:
  explicit OneWireBus(uint8_t pin)
      : mask_(digitalPinToBitMask(pin)),
        port_(portOutputRegister(digitalPinToPort(pin))),
        direction_(portModeRegister(digitalPinToPort(pin))),
        input_(portInputRegister(digitalPinToPort(pin))) {}

  // True where a probe answers; false where the wire is open or shorted to ground.
  bool reset() {
    release();
    if (!level()) return false;  // shorted, or no pull-up
    pullDown();
    delayMicroseconds(480);
    noInterrupts();
    release();
    delayMicroseconds(70);
    bool present = !level();
    interrupts();
    delayMicroseconds(410);
    return present && level();
  }

  void write(uint8_t value) {
    for (uint8_t bit = 0; bit < 8; bit++, value >>= 1) {
      noInterrupts();
      pullDown();
      if (value & 1) {
        delayMicroseconds(6);
        release();
        interrupts();
        delayMicroseconds(60);
      } else {
        delayMicroseconds(60);
        release();
        interrupts();
        delayMicroseconds(8);
      }
    }
  }

  uint8_t read() {
    uint8_t value = 0;
    for (uint8_t bit = 0; bit < 8; bit++) {
      noInterrupts();
      pullDown();
      delayMicroseconds(3);
      release();
      delayMicroseconds(9);
      if (level()) value |= (uint8_t)(1 << bit);
      interrupts();
      delayMicroseconds(55);
    }
    return value;
  }

 private:
  // Other pins of the port may be changed by interrupts: a change is one piece.
  void pullDown() {
    uint8_t before = SREG;
    cli();
    *port_ &= (uint8_t)~mask_;
    *direction_ |= mask_;
    SREG = before;
  }

  void release() {
    uint8_t before = SREG;
    cli();
    *direction_ &= (uint8_t)~mask_;
    *port_ &= (uint8_t)~mask_;
    SREG = before;
  }

  bool level() const { return (*input_ & mask_) != 0; }

  uint8_t mask_;
  volatile uint8_t *port_;
  volatile uint8_t *direction_;
  volatile uint8_t *input_;
};
