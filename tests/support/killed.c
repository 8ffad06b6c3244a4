/* Preloaded into a program: kills it at its k-th change of a file, before that is made.
 *
 * Counted are the calls by which SQLite and Python change files, syncing among them. A program that
 * is killed so has left everything before to the system, and nothing after. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <signal.h>
#include <sys/types.h>
#include <unistd.h>

static long seen, last = -1;

void kill_at(long k)
{
    seen = 0;
    last = k;
}

long changes_seen(void)
{
    return seen;
}

static void change(void)
{
    if (seen++ == last)
        kill(getpid(), SIGKILL);
}

#define CHANGES(type, name, declared, given)                 \
    type name declared                                       \
    {                                                        \
        static type(*real) declared;                         \
        if (!real)                                           \
            *(void **)&real = dlsym(RTLD_NEXT, #name);       \
        change();                                            \
        return real given;                                   \
    }

CHANGES(ssize_t, pwrite, (int f, const void *b, size_t n, off_t at), (f, b, n, at))
CHANGES(ssize_t, pwrite64, (int f, const void *b, size_t n, off64_t at), (f, b, n, at))
CHANGES(ssize_t, write, (int f, const void *b, size_t n), (f, b, n))
CHANGES(int, fsync, (int f), (f))
CHANGES(int, fdatasync, (int f), (f))
CHANGES(int, ftruncate, (int f, off_t n), (f, n))
CHANGES(int, ftruncate64, (int f, off64_t n), (f, n))
CHANGES(int, unlink, (const char *path), (path))
CHANGES(int, rename, (const char *from, const char *to), (from, to))
