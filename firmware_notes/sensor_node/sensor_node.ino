// Sensor node for one tank: water and room temperature, pH electrode, light. It only measures: nothing here
// switches a heater, lamp or valve, and no mains wire comes near this board. Wiring and cautions: ../README.md
//
// For 8-bit AVR boards with 2 KB of RAM. No library to install: Wire comes with the board's core. What to set
// is in settings.h.

#include <avr/power.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "electrode.h"
#include "lux.h"
#include "settings.h"
#include "thermometer.h"
#include "wire.h"

const uint32_t MEASURE_MS = 1000;    // before each report
const uint32_t ELECTRODE_MS = 100;   // after the start of measuring: while the thermometers convert, all is quiet
static_assert(REPORT_MS >= 2000, "REPORT_MS: measuring takes a second, a line up to a third of one at 9600 baud");
static_assert(THERMOMETER_BITS >= 9 && THERMOMETER_BITS <= 12, "THERMOMETER_BITS is 9, 10, 11 or 12");

Thermometer water(WATER_PIN, THERMOMETER_BITS);
Thermometer room(ROOM_PIN, THERMOMETER_BITS);
Electrode electrode;
LuxSensor light;
Pack pack;
uint32_t seq = 0;
uint32_t lastReport = 0;
enum : uint8_t { WAITING, THERMOMETERS, ALL } measuring = WAITING;
const char *unsent = nullptr;  // rest of the line

// Why it started, before anything else: a watchdog that has bitten goes on running after the reset.
uint8_t resetCause __attribute__((section(".noinit")));
void keepResetCause() __attribute__((naked, used, section(".init3")));
void keepResetCause() {
  resetCause = MCUSR;
  MCUSR = 0;
  wdt_disable();
}

void setup() {
  wdt_enable(WDTO_2S);
  Serial.begin(BAUD);
  startTwoWire();
  electrode.begin();
  Serial.println();
  Serial.print(F("sensor node for " TANK ", reset cause "));  // a banner, no pack: the collector passes over it
  Serial.println(resetCause);  // 1 power, 2 button, 4 low supply, 8 watchdog; 0: the board's loader has taken it
  set_sleep_mode(SLEEP_MODE_IDLE);
  TCCR1B = TCCR2B = 0;  // two timers and a bus that nothing here uses
  power_timer1_disable();
  power_timer2_disable();
  power_spi_disable();
  lastReport = millis();
}

// A probe is measured in small steps; the first of them where its time has come.
void measure(uint32_t sinceReport, uint32_t now) {
  if (measuring == WAITING && sinceReport >= REPORT_MS - MEASURE_MS) {
    water.start(now);
    room.start(now);
    light.start();
    measuring = THERMOMETERS;
  }
  if (measuring == THERMOMETERS && sinceReport >= REPORT_MS - MEASURE_MS + ELECTRODE_MS) {
    electrode.start(micros());
    measuring = ALL;
  }
  if (measuring == ALL) electrode.step(micros());
  if (measuring != WAITING) {
    water.step(now);
    room.step(now);
  }
}

void report() {
  pack.begin(TANK, seq++);
  pack.add("temperature", "Cel", water.celsius(), 4);
  pack.add("room_temperature", "Cel", room.celsius(), 4);
  pack.add("ph_probe", "mV", electrode.millivolts(), 1);
  pack.add("light", "lx", light.lux(), 0);
  unsent = pack.finish();
  if (unsent == nullptr) unsent = "no room for these rows: make text_ longer in wire.h";  // no pack: `listen` shows it
  measuring = WAITING;
}

// As much as the port's buffer takes now.
void send() {
  while (unsent != nullptr && Serial.availableForWrite() > 0) {
    if (*unsent == '\0') {
      Serial.write('\n');
      unsent = nullptr;
    } else {
      Serial.write(*unsent++);
    }
  }
}

void loop() {
  wdt_reset();
  uint32_t now = millis();
  measure(now - lastReport, now);
  if (now - lastReport >= REPORT_MS) {  // right across the counter's wrap, too
    lastReport += REPORT_MS;            // not `now`: the period must not creep
    report();
  }
  send();
  sleep_mode();  // until the next interrupt: a millisecond at most
}
