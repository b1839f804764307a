// The sensor node's line: one SenML pack (RFC 8428, JSON) and its CRC.
// Portable C++11 with no Arduino calls and no heap, so that it compiles and is tested on a computer too.
#pragma once

#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

// CRC-16/CCITT-FALSE: polynomial 0x1021, start 0xFFFF. "123456789" gives 0x29B1.
inline uint16_t crc16(const char *bytes, size_t count) {
  uint16_t crc = 0xFFFF;
  for (size_t i = 0; i < count; i++) {
    crc ^= (uint16_t)((uint16_t)(uint8_t)bytes[i] << 8);
    for (uint8_t bit = 0; bit < 8; bit++)
      crc = (crc & 0x8000) ? (uint16_t)((crc << 1) ^ 0x1021) : (uint16_t)(crc << 1);
  }
  return crc;
}

class Pack {
 public:
  // `tank` is the tank's name in rushlight.toml; `seq` goes up by one a report, from 0 at boot.
  void begin(const char *tank, uint32_t seq) {
    length_ = 0;
    fits_ = true;
    records_ = 0;
    put("[{\"bn\":\"");
    put(tank);
    put("/\",\"seq\":");
    putWhole(seq, 1);
    put(",");
  }

  // One value; NAN or anything beyond +-200 000 (no probe of ours gets there) becomes a fault record.
  void add(const char *quantity, const char *unit, double value, uint8_t decimals) {
    if (isnan(value) || fabs(value) > 2e5) {
      addFault(quantity, unit);
      return;
    }
    open(quantity, unit);
    put("\"v\":");
    putNumber(value, decimals);
    put("}");
  }

  // A probe that can't be read: the record goes out without a value.
  void addFault(const char *quantity, const char *unit) {
    open(quantity, unit);
    put("\"vs\":\"fault\"}");
  }

  // Closes the pack and appends " *XXXX". The text to print (without line end), or nullptr if there was no
  // record or no room: then nothing must be sent, as half a pack is worse than none.
  const char *finish() {
    put("]");
    uint16_t crc = crc16(text_, length_);
    put(" *");
    for (int8_t shift = 12; shift >= 0; shift -= 4) putChar("0123456789ABCDEF"[(crc >> shift) & 0xF]);
    return fits_ && records_ > 0 ? text_ : nullptr;
  }

 private:
  void open(const char *quantity, const char *unit) {
    if (records_++ > 0) put(",{");  // the first record shares its brace with bn and seq
    put("\"n\":\"");
    put(quantity);
    put("\",\"u\":\"");
    put(unit);
    put("\",");
  }

  void put(const char *text) {
    while (*text) putChar(*text++);
  }

  void putChar(char c) {
    if (length_ + 1 >= sizeof text_) {
      fits_ = false;
      return;
    }
    text_[length_++] = c;
    text_[length_] = '\0';
  }

  void putWhole(uint32_t whole, uint8_t digits) {
    char reversed[10];
    uint8_t count = 0;
    do {
      reversed[count++] = (char)('0' + whole % 10);
      whole /= 10;
    } while (whole > 0 && count < sizeof reversed);
    for (uint8_t i = count; i < digits; i++) putChar('0');
    while (count > 0) putChar(reversed[--count]);
  }

  // By hand, as printf on small boards knows no %f. At most 4 decimals, so that it fits 32 bits.
  void putNumber(double value, uint8_t decimals) {
    if (decimals > 4) decimals = 4;
    uint32_t scale = 1;
    for (uint8_t i = 0; i < decimals; i++) scale *= 10;
    uint32_t scaled = (uint32_t)(fabs(value) * scale + 0.5);
    if (value < 0 && scaled > 0) putChar('-');
    putWhole(scaled / scale, 1);
    if (decimals > 0) {
      putChar('.');
      putWhole(scaled % scale, decimals);
    }
  }

  char text_[320];
  size_t length_ = 0;
  uint8_t records_ = 0;
  bool fits_ = true;
};
