// Package localpg finds or runs the PostgreSQL that a one-PC workshop needs,
// so that nobody has to set up a database server before the first booking.
//
// Resolve takes the address that the caller was given; without one, Start runs
// a private PostgreSQL of 15 or newer: binaries on PATH, else those in the
// usual places of Debian, Red Hat and Homebrew, else prebuilt ones fetched from
// a Maven repository and checked against their SHA-256.
//
// The server keeps everything in one data directory:
//
//	lock                held (flock) while a program owns the directory
//	cluster/            PostgreSQL's own files, made in one piece
//	password            of the role bayhold, which owns the database bayhold
//	server-password     of the role bayhold_server, which owns nothing
//	superuser-password  of the role postgres, for maintenance
//	postgres.log        what PostgreSQL has to say
//	run/                the unix socket; PostgreSQL listens on nothing else
//	fetched/            prebuilt binaries, where they had to be fetched
//
// Run as root, PostgreSQL drops to the user postgres, or nobody where there is
// none; the passwords, the log and the lock stay root's. That user must be able
// to reach the data directory, which is why root's default is /var/lib/bayhold
// and a directory below /root is refused.
//
// Life and death: PostgreSQL stops with the server that started it. If that
// server is killed, Linux hands PostgreSQL an interrupt, and it shuts down
// cleanly; where the kernel cannot do that, PostgreSQL goes on as an orphan.
// The next start on the same directory waits for one that is stopping, takes
// over one that goes on, and clears what a crash or a power cut left behind.
//
// The package runs on Linux and macOS.
package localpg
