// Parts on the I2C bus, and the electrode at the converter of the chip itself.
#include <math.h>
#include <simavr/avr_adc.h>
#include <simavr/avr_twi.h>
#include <simavr/sim_time.h>

#include "parts.h"

static void on_two_wire(avr_irq_t *irq, uint32_t value, void *param) {
  struct two_wire_part *p = param;
  avr_twi_msg_irq_t message = {.u.v = value};
  (void)irq;
  if (message.u.twi.msg & TWI_COND_STOP) p->selected = 0;
  if (message.u.twi.msg & TWI_COND_START) {
    p->selected = 0;
    p->place = p->have = 0;
    if (p->answers && message.u.twi.addr >> 1 == p->address) {
      p->selected = message.u.twi.addr;
      avr_raise_irq(p->irq + TWI_IRQ_INPUT, avr_twi_irq_msg(TWI_COND_ACK, p->selected, 1));
    }
  }
  if (!p->selected) return;
  if (message.u.twi.msg & TWI_COND_WRITE) {
    avr_raise_irq(p->irq + TWI_IRQ_INPUT, avr_twi_irq_msg(TWI_COND_ACK, p->selected, 1));
    if (p->have < 4) p->written[p->have++] = message.u.twi.data;
  }
  if (message.u.twi.msg & TWI_COND_READ) {
    int high = (p->place++ % 2 == 0) == (p->high_first != 0);
    unsigned char data = high ? p->value >> 8 : p->value & 0xFF;
    avr_raise_irq(p->irq + TWI_IRQ_INPUT, avr_twi_irq_msg(TWI_COND_READ, p->selected, data));
  }
}

void two_wire_attach(struct two_wire_part *p, avr_t *avr, unsigned char address) {
  p->address = address;
  p->answers = p->high_first = 1;
  p->irq = avr_io_getirq(avr, AVR_IOCTL_TWI_GETIRQ(0), 0);
  avr_irq_register_notify(p->irq + TWI_IRQ_OUTPUT, on_two_wire, p);
}

static void on_conversion(avr_irq_t *irq, uint32_t value, void *param) {
  struct electrode *e = param;
  double seconds = e->avr->cycle / (double)e->avr->frequency;
  (void)irq, (void)value;
  e->noise = e->noise * 1664525u + 1013904223u;
  double noise = (e->noise >> 16) / 65536.0 * 8.0 - 4.0;  // two steps of the converter: what averaging lives on
  double mv = e->millivolts + noise + e->hum * sin(2 * M_PI * 50 * seconds);
  if (mv < 0) mv = 0;
  avr_raise_irq(e->input, (uint32_t)(mv + 0.5));
}

void electrode_attach(struct electrode *e, avr_t *avr) {
  e->avr = avr;
  e->input = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0);
  avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), on_conversion, e);
}
