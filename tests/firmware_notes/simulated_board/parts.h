// What is soldered to the simulated board, and what the world does to it.
#pragma once

#include <simavr/sim_avr.h>

enum probe_fault { WORKS, UNPLUGGED, SHORTED, DAMAGED, DAMAGED_ONCE, NO_SUPPLY };

struct thermometer {
  avr_t *avr;
  avr_irq_t *pin;
  double celsius;
  enum probe_fault fault;
  int master_low, slave_low;
  avr_cycle_count_t fell;
  int bits, count, sending, sent;  // of the byte on its way; bytes of the answer
  unsigned char byte, memory[9], writing;
  int damage;
  double converted;
  avr_cycle_count_t ready;
};

struct two_wire_part {
  avr_irq_t *irq;
  unsigned char address;
  int answers, selected, high_first;
  unsigned value;       // 16 bits
  int place;            // of the next byte that is read
  unsigned char written[4];
  int have;
};

struct electrode {
  avr_irq_t *input;
  avr_t *avr;
  double millivolts;  // at the converter
  double hum;         // amplitude at 50 Hz
  unsigned noise;
};

void thermometer_attach(struct thermometer *t, avr_t *avr, char port, int pin);
void thermometer_direction(struct thermometer *t, int output, int high);
void two_wire_attach(struct two_wire_part *p, avr_t *avr, unsigned char address);
void electrode_attach(struct electrode *e, avr_t *avr);
