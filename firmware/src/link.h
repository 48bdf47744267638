/* Link protocol 1 (docs/rig-link.md): what the host asks, what the rig answers. */
#ifndef LINK_H
#define LINK_H

/* One step: takes what the host sent, sends at most one line. */
void link_step(void);

/* To be sent when there is room: who the rig is. */
void link_identify(void);

/* Sleeps if there is nothing to do until the next interrupt. */
void link_rest(void);

#endif
