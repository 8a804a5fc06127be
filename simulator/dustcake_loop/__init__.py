"""Where plant and daemon meet: the daemon's own decision core and the simulated plant in one loop,
and the commands `simulate` and `demo`.

The one package that knows both sides: ``dustcake_sim`` knows nothing of the daemon, and the daemon
nothing of a simulator. Nothing here is needed beside a collector.
"""
