// Package iec62056 reads meters through their optical head or wire by IEC 62056-21:
// mode C (the meter is asked, then talks faster) and mode D (it talks by itself). It
// reads the data block only and never logs in, sets or resets anything.
//
// A readout takes 5 to 60 s, so give the source a period above that. Resolution is
// often 0.1 or 1 kWh: 0.1 kWh in an hour is 100 W. Many meters show power only after
// their owner has entered a number on them, or not at all.
package iec62056
