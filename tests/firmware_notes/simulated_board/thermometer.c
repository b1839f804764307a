// A one-wire thermometer on a pin, after the published timing of the one-wire bus: a master's low of 480 us
// and more resets, a low of less than 15 us is a 1, a longer one a 0; the answer is low for 30 us where it is 0.
#include <math.h>
#include <simavr/avr_ioport.h>
#include <simavr/sim_time.h>

#include "parts.h"

static unsigned char crc8(const unsigned char *bytes, int count) {
  unsigned char crc = 0;
  while (count--) {
    unsigned char in = *bytes++;
    for (int i = 0; i < 8; i++, in >>= 1) {
      int mix = (crc ^ in) & 1;
      crc >>= 1;
      if (mix) crc ^= 0x8C;
    }
  }
  return crc;
}

static void drive(struct thermometer *t) {
  int low = t->fault == SHORTED || t->master_low || (t->slave_low && t->fault != UNPLUGGED);
  avr_raise_irq(t->pin, !low);
}

static avr_cycle_count_t let_go(avr_t *avr, avr_cycle_count_t when, void *param) {
  struct thermometer *t = param;
  (void)avr, (void)when;
  t->slave_low = 0;
  drive(t);
  return 0;
}

static avr_cycle_count_t be_present(avr_t *avr, avr_cycle_count_t when, void *param) {
  struct thermometer *t = param;
  (void)when;
  t->slave_low = 1;
  drive(t);
  avr_cycle_timer_register_usec(avr, 120, let_go, t);
  return 0;
}

static void fill_memory(struct thermometer *t) {
  int raw = 0x0550;
  if (t->fault != NO_SUPPLY && t->ready && t->avr->cycle >= t->ready) {
    int bits = 9 + ((t->memory[4] >> 5) & 3);
    raw = ((int)floor(t->converted * 16 + 0.5)) & ~((1 << (12 - bits)) - 1);
  }
  t->memory[0] = raw & 0xFF;
  t->memory[1] = (raw >> 8) & 0xFF;
  t->memory[5] = 0xFF, t->memory[6] = 0x0C, t->memory[7] = 0x10;
  t->memory[8] = crc8(t->memory, 8);
  if (t->damage) t->memory[0] ^= 0x10;
  if (t->fault == DAMAGED_ONCE) t->damage = 0;
}

static void understand(struct thermometer *t, unsigned char byte) {
  if (t->writing) {
    t->memory[5 - t->writing--] = byte;
  } else if (byte == 0x44) {
    int bits = 9 + ((t->memory[4] >> 5) & 3);
    t->converted = t->celsius;
    t->ready = t->avr->cycle + avr_usec_to_cycles(t->avr, 750000 >> (12 - bits));
  } else if (byte == 0x4E) {
    t->writing = 3;
  } else if (byte == 0xBE) {
    fill_memory(t);
    t->sending = 1;
    t->sent = t->count = 0;
  }
}

// The master pulls the wire down or lets it go.
void thermometer_direction(struct thermometer *t, int output, int high) {
  int low = output && !high;
  if (low == t->master_low) {
    drive(t);
    return;
  }
  t->master_low = low;
  if (low) {
    t->fell = t->avr->cycle;
    if (t->sending) {
      int bit = t->sent < 9 ? (t->memory[t->sent] >> t->count) & 1 : 1;
      if (++t->count == 8) t->count = 0, t->sent++;
      if (!bit) {
        t->slave_low = 1;
        avr_cycle_timer_register_usec(t->avr, 30, let_go, t);
      }
    }
  } else {
    unsigned us = avr_cycles_to_usec(t->avr, t->avr->cycle - t->fell);
    if (us >= 400) {
      t->sending = t->bits = t->writing = 0;
      t->byte = 0;
      avr_cycle_timer_register_usec(t->avr, 30, be_present, t);
    } else if (!t->sending) {
      t->byte = (t->byte >> 1) | (us < 15 ? 0x80 : 0);
      if (++t->bits == 8) {
        t->bits = 0;
        understand(t, t->byte);
      }
    }
  }
  drive(t);
}

void thermometer_attach(struct thermometer *t, avr_t *avr, char port, int pin) {
  t->avr = avr;
  t->pin = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), pin);
  t->memory[4] = 0x7F;
  drive(t);
}
